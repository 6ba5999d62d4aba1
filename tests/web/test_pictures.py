"""Pictures put on the bench by the page, their strips named and moved there."""

from __future__ import annotations

import re
import time

import pytest

from fairpanel.jobs.picture_page import see_picture
from fairpanel.rehearsal.suites import make_suite

MADE = make_suite("scan_half", 7, per_picture=3, dpi=75.0, table="short")
SHEET = MADE.pictures[0]
JSON = {"accept": "application/json"}


def said_of(place: str) -> dict[str, str]:
    """What somebody would type on the page about the strip in a cell of the made sheet."""
    rows = [r for r in MADE.rows if r["box"] == place]
    said = {"strip": rows[0]["strip"], "role": rows[0]["role"], "seconds": ", ".join(str(r["seconds"]) for r in rows)}
    if rows[0]["role"] == "product":
        said |= {"product": rows[0]["product"], "plate": rows[0]["plate"], "other half": "glass only",
                 "seconds": str(rows[0]["seconds"])}  # fmt: skip
    return {f"a-{k}": str(v) for k, v in said.items()}


def put(client, name="image.jpg", data=SHEET.data) -> str:
    told = client.post("/pictures", files={"pictures": (name, data)}, follow_redirects=False)
    assert told.status_code == 303
    return told.headers["location"].split("?")[0]


def name_all(client, folder, address) -> None:
    for strip in see_picture(folder, address.rpartition("/")[2]).strips:
        form = {"key": strip.key, "was": "", "place": strip.place} | said_of(strip.place)
        assert client.post(f"{address}/strip", data=form, follow_redirects=False).status_code == 303


def numbers(client, address) -> dict:
    until = time.monotonic() + 60
    while (told := client.get(address, headers=JSON).json())["pending"] and time.monotonic() < until:
        time.sleep(0.05)
    return told


def test_one_picture_leads_to_its_page_and_its_strips(client):
    """Dropped on the start page, it is looked at at once; the step strip is asked for first."""
    assert "Drop pictures here" in client.get("/").text
    told = client.get(put(client)).text
    assert told.count('data-strip="found-') == 4
    assert "First the step strip" in told
    assert client.get(f"{put(client)}/shown.png").content.startswith(b"\x89PNG")


def test_the_same_picture_twice_is_told(client):
    """It is not kept twice."""
    put(client)
    told = client.post("/pictures", files={"pictures": ("again.jpg", SHEET.data)})
    assert "on the bench already" in told.text


def test_what_is_no_picture_is_refused_with_what_to_do(client, bench_folder):
    """Nothing of it is kept; the reason stands there."""
    told = client.post("/pictures", files={"pictures": ("notes.jpg", b"nothing of a picture")})
    assert told.status_code == 422 and "Refused: notes.jpg" in told.text


def test_from_picture_to_numbers_by_forms_alone(client, bench_folder):
    """Steps and strips named: every coated strip has its number with an interval on the page."""
    address = put(client)
    name_all(client, bench_folder, address)
    told = numbers(client, address)
    labels = [s["label"] for s in told["strips"] if s["label"]]
    assert len(labels) == 3 and all(re.search(r"%", one) for one in labels)
    page = client.get(address).text
    assert all(one in page for one in labels)


def test_faults_stand_at_their_fields_and_nothing_typed_is_lost(client):
    """A product strip without a product."""
    address = put(client)
    form = {"key": "found-1", "was": "", "place": "B3", "a-strip": "S9", "a-role": "product", "a-seconds": "soon"}
    told = client.post(f"{address}/strip", data=form)
    assert told.status_code == 422
    assert "Nothing was saved yet" in told.text and 'value="S9"' in told.text and 'value="soon"' in told.text
    assert 'id="w-a-seconds"' in told.text


def test_a_second_window_is_told_what_stands(client, bench_folder):
    """Both versions are shown; the later one is not written."""
    address = put(client)
    strip = see_picture(bench_folder, address.rpartition("/")[2]).strips[0]
    form = {"key": strip.key, "was": "", "place": strip.place} | said_of(strip.place)
    client.post(f"{address}/strip", data=form)
    named = next(s for s in see_picture(bench_folder, address.rpartition("/")[2]).strips if s.named)
    change = form | {"key": named.key, "was": ",".join(named.row_ids), "reason": "a note"}
    assert client.post(f"{address}/strip", data=change | {"a-note": "first"}).status_code == 200
    told = client.post(f"{address}/strip", data=change | {"a-note": "second"})
    assert told.status_code == 409
    assert "changed meanwhile" in told.text and "first" in told.text and 'value="second"' in told.text


def test_a_script_in_a_name_is_text(client, bench_folder):
    """On the page of the picture and in the list."""
    address = put(client, name="<script>alert(1)</script>.jpg")
    strip = see_picture(bench_folder, address.rpartition("/")[2]).strips[0]
    form = {"key": strip.key, "was": "", "place": strip.place} | said_of(strip.place)
    client.post(f"{address}/strip", data=form | {"a-strip": "<script>x</script>"})
    for one in (address, "/pictures"):
        told = client.get(one).text
        assert "<script>alert" not in told and "<script>x" not in told


def test_a_folder_is_taken_up_and_watched(client, tmp_path):
    """What lies there, and what comes later once it is complete; a wrong path is told at its field."""
    told = client.post("/pictures/folder", data={"folder": str(tmp_path / "none")})
    assert told.status_code == 422 and "There is no folder" in told.text
    source = tmp_path / "scans"
    source.mkdir()
    client.post("/pictures/folder", data={"folder": str(source), "watch": "yes"})
    (source / "late.jpg").write_bytes(SHEET.data)
    until = time.monotonic() + 20
    while "late.jpg" not in client.get("/pictures").text and time.monotonic() < until:
        time.sleep(0.2)
    assert "late.jpg" in client.get("/pictures").text
    assert "No folder is watched" in client.post("/pictures/unwatch").text


# ---- on the screen ---------------------------------------------------------------------------------------------


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_first_number_picture_first(open_page, served_of, bench_folder, accessible, tmp_path, width):
    """Drop, say what the steps were, tap a strip, name it: the number stands there; then its outline is moved."""
    from playwright.sync_api import expect

    (tmp_path / "image.jpg").write_bytes(SHEET.data)
    page = open_page(f"{served_of(bench_folder)}/", width=width)
    page.set_input_files("input[name=pictures]", tmp_path / "image.jpg")
    page.wait_for_url("**/pictures/*", timeout=120_000)
    page.get_by_role("link", name="Say what its steps were").click()
    accessible(page)
    fill(page, said_of("steps"))
    strip = next(r["box"] for r in MADE.rows if r["role"] == "product")
    page.locator(f'.strips a:text-is("{strip}")').click()
    fill(page, said_of(strip))
    number, state = page.locator("[data-chosen-number]"), page.locator("[data-state]")
    expect(number).to_contain_text("%", timeout=120_000)
    accessible(page)
    before = number.text_content()
    page.locator(".strip.chosen").focus()
    page.keyboard.press("Shift+ArrowUp")
    expect(state).to_contain_text("alone", timeout=120_000)
    assert number.text_content()
    expect(state).to_contain_text("are read", timeout=120_000)
    page.get_by_role("button", name="Take the last move back").click()
    expect(state).to_contain_text("are read", timeout=120_000)
    value = [float(one.split()[0]) for one in (before, number.text_content())]
    assert value[1] == pytest.approx(value[0], abs=0.5)  # measured anew, to a tenth of a pixel


def fill(page, said) -> None:
    """Fill the form of a strip and save it."""
    for name, value in said.items():
        field = page.locator(f'[name="{name}"]')
        if field.evaluate("e => e.tagName") == "SELECT":
            field.select_option(value)
        else:
            field.fill(value)
    page.get_by_role("button", name="Save").click()
    page.wait_for_selector(".message")
