"""The run sheet: cautions first, clocks from records, sound at steps; on the phone; the printed card."""

from __future__ import annotations

import re
import time
from html import unescape

import pytest

from fairpanel.jobs.entering import enter
from fairpanel.jobs.run_sheet import cautions_of, record, sheet
from fairpanel.plan.things import kind_of

ENDING = "Labels, safety sheets, local codes and licensed trades come first."


@pytest.fixture
def run(bench_folder):
    """Address of a run with two strips and three steps."""
    typed = {"name": "3", "lamp": "L2", "strips": "S1, S2", "exposure_s": "90", "steps": "0, 8, 15", "card": "covers"}
    return f"/runs/{enter(bench_folder, kind_of('run'), typed)}"


def _read_all(folder, run):
    id = run.rpartition("/")[2]
    for step in sorted({c.step for found in sheet(folder, id).to_read.values() for c in found}):
        record(folder, id, {"kind": "caution", "text": step})


def _buttons(text):
    return re.findall(r'<button class="press[^"]*">([^<]*)</button>', text)


def test_no_step_before_its_caution(client, run):
    """In place of the step's button stands the caution; forcing the step is refused; reading it brings the button."""
    told = client.get(f"{run}/sheet").text
    assert "Lamp switched on" not in _buttons(told) and not any(b.startswith("Begun") for b in _buttons(told))
    for words in ("Face and hands out".casefold(), "nothing flammable near", "no plastic housing", "never unattended"):
        assert words in told.casefold()
    assert told.count("Caution: ") == told.count(ENDING) == 4, "each once: lamp, exposure, card, rinse"
    refused = client.post(f"{run}/sheet", data={"kind": "lamp on"})
    assert refused.status_code == 409 and "must be read" in refused.text
    told = client.post(f"{run}/sheet", data={"kind": "caution", "text": "switch the lamp on"}).text
    assert "Lamp switched on" in _buttons(told)
    told = client.post(f"{run}/sheet", data={"kind": "lamp on"}).text
    assert "Lamp switched off" in _buttons(told) and "left" in told


def test_a_caution_left_out_of_the_sheet_is_found(client, run, bench_folder):
    """All cautions of all steps of the run are on the sheet to be read, and on the printed card word for word."""
    id = run.rpartition("/")[2]
    made = sheet(bench_folder, id)
    told, card = (unescape(client.get(f"{run}/{page}").text) for page in ("sheet", "card"))
    for caution in {c for found in made.to_read.values() for c in found}:
        assert caution.text in told, caution.step
    for caution in cautions_of(made.run):
        assert caution.text in card, caution.step


def test_what_happened_stands_there(client, run, bench_folder):
    """Late steps with what they really got; corrected, struck; faults told, nothing recorded."""
    _read_all(bench_folder, run)
    at = f"{run}/sheet"
    client.post(at, data={"kind": "begun", "how": "card", "ago": "60"})
    told = client.post(at, data={"kind": "step", "step": "1", "ago": "20 s"}).text
    got = sheet(bench_folder, run.rpartition("/")[2]).steps[1].got
    assert 40 <= got < 55 and f"got {got:.1f} s" in told
    event = re.search(rf'action="{at}/(\w+)"', told)[1]
    told = client.post(f"{at}/{event}", data={"do": "move", "earlier_s": "2"}).text
    assert f"got {got - 2:.1f} s" in told
    event = re.search(rf'action="{at}/(\w+)"', told)[1]
    bad = client.post(f"{at}/{event}", data={"do": "move", "earlier_s": "some"})
    assert bad.status_code == 422 and "how many seconds" in bad.text
    told = client.post(f"{at}/{event}", data={"do": "strike"}).text
    assert f"got {got - 2:.1f} s" not in told and "Struck" in told
    bad = client.post(at, data={"kind": "step", "step": "7"})
    assert bad.status_code == 422 and "no such step" in bad.text
    client.post(at, data={"kind": "ended", "how": "lamp moved"})
    table = client.get(f"{run}/rows")
    assert "really happened" in table.text and re.search(r"S1\t\tproduct|S1\t", table.text)


def test_another_device_sees_it(client, run, bench_folder):
    """The state it asks for changes with every record."""
    ask = {"accept": "application/json"}
    before = client.get(f"{run}/sheet", headers=ask).json()
    assert client.get(f"{run}/sheet", headers=ask).json() == before
    client.post(f"{run}/sheet", data={"kind": "note", "text": "<b>hot</b> day"})
    assert client.get(f"{run}/sheet", headers=ask).json() != before
    assert "&lt;b&gt;hot" in client.get(f"{run}/sheet").text


def test_what_is_due_stands_on_the_start_page(bench_folder, run):
    """With its clock and the way there."""
    from fairpanel.web.pages.runs import start_parts
    from fairpanel.web.rendering import environment

    _read_all(bench_folder, run)
    record(bench_folder, run.rpartition("/")[2], {"kind": "lamp on"})
    (part,) = start_parts(bench_folder)
    told = environment().get_template(part.template).render(part=part.context)
    assert "Run 3: the lamp warms up" in told and f'href="{run}/sheet"' in told and "left" in told


@pytest.fixture
def on_phone(open_page, served_of, bench_folder, run):
    """A page on the sheet at phone width, all cautions read."""
    _read_all(bench_folder, run)
    return open_page(f"{served_of(bench_folder)}{run}/sheet", width=390)


@pytest.mark.browser
def test_a_run_on_the_phone(on_phone, accessible, bench_folder, run):
    """Lamp, exposure, card, end, rinse: by big buttons; every target at least 48 px."""
    page = on_phone
    accessible(page)
    for words in ("Lamp switched on", "Begun: card", "Card is at step 2", "Ended: lamp moved", "All rinsed now"):
        with page.expect_navigation():
            page.get_by_role("button", name=words, exact=True).click()
        small = page.evaluate(
            "[...document.querySelectorAll('.sheet button, .sheet summary, .sheet input, .sheet select')]"
            ".filter(e => e.offsetParent && e.getBoundingClientRect().height < 48).map(e => e.outerHTML)"
        )
        assert small == []
    accessible(page)
    # Rounded up, so right after the rinse a whole day; on a slow machine a minute or two may have gone.
    assert page.get_by_text(re.compile("^(24 h|23 h 5[5-9] min) left$")).count() == 3
    kinds = [e.kind for e in sheet(bench_folder, run.rpartition("/")[2]).events if e.kind != "caution"]
    assert kinds == ["lamp on", "begun", "step", "ended", "rinsed"]


@pytest.mark.browser
def test_clocks_go_on_through_sleep_and_reload(open_page, served_of, bench_folder, run):
    """Worked out from what was recorded: an hour's sleep is an hour on the clock, a reload changes nothing."""
    _read_all(bench_folder, run)
    id = run.rpartition("/")[2]
    record(bench_folder, id, {"kind": "lamp on"})
    record(bench_folder, id, {"kind": "begun", "how": "card"})
    address = served_of(bench_folder)
    page = open_page(f"{address}/history", width=390)
    page.clock.install(time=time.time())
    page.goto(f"{address}{run}/sheet")
    clock = page.locator("#exposure + .clock")
    clock.wait_for()
    page.clock.fast_forward(3600_000)
    page.wait_for_function("document.querySelector('#exposure + .clock').textContent === '1 h 0 min'")
    assert page.locator("#lamp + .clock").text_content() == "steady"
    assert clock.get_attribute("data-late") == "yes"
    page.reload()
    assert re.fullmatch(r"\d+ s", clock.text_content()), "the bench's own time counts, not the device's"


@pytest.mark.browser
def test_sound_at_each_step(open_page, served_of, bench_folder, run):
    """Three short tones before and a long one on it; what was missed in a sleep is passed in silence."""
    typed = {"name": "4", "steps": "0, 100, 200", "exposure_s": "300"}
    run = f"/runs/{enter(bench_folder, kind_of('run'), typed)}"
    _read_all(bench_folder, run)
    begun = record(bench_folder, run.rpartition("/")[2], {"kind": "begun", "how": "card"})[1].at
    address = served_of(bench_folder)
    page = open_page(f"{address}/history", width=390)
    page.clock.install(time=time.time())
    page.goto(f"{address}{run}/sheet")
    page.clock.pause_at(begun + 94)
    button = page.locator("[data-sound]")
    button.click()
    page.get_by_role("button", name="Sound is on").wait_for()
    for _ in range(8):
        page.clock.run_for(1000)
    assert button.get_attribute("data-rang") == "4"
    page.clock.fast_forward(3600_000)
    page.clock.run_for(500)
    assert button.get_attribute("data-rang") == "4"


@pytest.mark.browser
def test_the_card_is_one_sheet(open_page, served_of, bench_folder, run):
    """Printed on A4, with no bar and no buttons on it."""
    import pypdfium2

    page = open_page(f"{served_of(bench_folder)}{run}/card")
    card = pypdfium2.PdfDocument(page.pdf(format="A4"))
    text = card[0].get_textpage().get_text_range()
    assert len(card) == 1 and ENDING in " ".join(text.split()) and "Rehearse" not in text
    card.close()
