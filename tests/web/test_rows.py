"""Rows by form and by pasted table, of any method, with nothing changed for it."""

from __future__ import annotations

import re
from html import unescape

import pytest

from fairpanel.storage.bench import Bench

STEP = {"cell.picture": "made.png", "cell.strip": "steps", "cell.role": "step", "cell.seconds": "8"}


def test_a_method_from_outside_gets_its_form(client, etching):
    """Fields, units, choices and faults from its columns; its rows in the list; its own rules at their field."""
    form = unescape(client.get("/rows/new", params={"method": "etching"}).text)
    for words in ("Etching by bird lime", "0 none to 5 severe", "[grades]", 'name="cell.panel"'):
        assert words in form
    typed = {"cell.product": "Wax A", "cell.panel": "7", "cell.etching": "9"}
    told = client.post("/rows/new?method=etching", data=typed)
    assert told.status_code == 422 and "is not between 0 and 5" in told.text
    assert re.search(r'id="f-cell.etching"[^>]*aria-invalid="true"', told.text)
    assert client.post("/rows/new?method=etching", data=typed | {"cell.etching": "2,5"}).status_code == 200
    told = client.post("/rows/new?method=etching", data=typed | {"cell.etching": "3"})
    assert told.status_code == 422 and "was rated in row" in told.text
    assert "Wax A" in client.get("/rows", params={"method": "etching"}).text
    assert "Etching by bird lime" in client.get("/rows").text, "it can be chosen"


def test_a_table_of_a_method_from_outside(client, etching):
    """Pasted as it is; faults by row and column; nothing is taken in before all are right."""
    told = client.post("/rows/table", data={"text": etching.replace("4.5", "nine"), "reason": ""})
    assert told.status_code == 422
    assert re.search(r"<td>5</td><td>etching</td><td>“nine” is not a number</td>", told.text)
    assert "nine" in unescape(re.search(r"<textarea[^>]*>([^<]*)</textarea>", told.text)[1])
    told = client.post("/rows/table", data={"text": etching})
    assert "6 added" in told.text
    assert "on the bench already" in client.post("/rows/table", data={"text": etching}).text
    changed = etching.replace("4.5", "4.0")
    told = client.post("/rows/table", data={"text": changed})
    assert told.status_code == 422 and "field “Reason”" in told.text
    assert "1 changed" in client.post("/rows/table", data={"text": changed, "reason": "read again"}).text


def test_a_dropped_file(client):
    """The file counts; rows that name pictures which are nowhere are faults; so is what is no table."""
    table = ("t.csv", b"picture,strip,role,seconds\nno.png,steps,step,8\n", "text/csv")
    told = client.post("/rows/table", files={"table": table})
    assert told.status_code == 422 and "no picture “no.png” on the bench" in told.text
    told = client.post("/rows/table", files={"table": ("t.csv", b"\xff\xfe\x00", "text/csv")})
    assert told.status_code == 422 and "not text in UTF-8" in told.text


@pytest.fixture
def with_picture(bench_folder):
    with Bench.open(bench_folder, writing=True) as bench:
        bench.keep_original(b"not looked into here", "made.png")
    return bench_folder


def test_a_row_changed_and_undone(client_of, with_picture):
    """Reason, conflict of two windows, history, undo."""
    client = client_of(with_picture)
    told = client.post("/rows/new", data=STEP, follow_redirects=False)
    at = told.headers["location"].partition("?")[0]
    first = at.rpartition("/")[2]
    changed = STEP | {"based_on": first, "cell.seconds": "9"}
    assert 'id="w-reason"' in client.post(at, data=changed).text
    assert "Seconds: 8 → 9" in client.post(at, data=changed | {"reason": "late"}).text
    told = client.post(at, data=changed | {"cell.seconds": "10", "reason": "other window"})
    assert told.status_code == 409
    assert re.search(r'data-name="On the bench now">9<.*data-name="Yours">10<', told.text)
    newest = re.search(r'action="/history/(\w+)/undo"', client.get("/history").text)[1]
    client.post(f"/history/{newest}/undo")
    assert "Seconds: 9 → 8" in client.get(at).text


def test_one_row_after_another(client_of, with_picture):
    """The next form starts with the same words."""
    client = client_of(with_picture)
    told = client.post("/rows/new", data=STEP | {"again": "yes"})
    assert "The next one" in told.text and re.search(r'id="f-cell.strip"[^>]*value="steps"', told.text)


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(1280, "dark"), (390, "light")])
def test_a_table_on_the_screen(open_page, served_of, with_picture, accessible, width, scheme):
    """Paste with a fault, read where it is, put it right, find the rows; then the form of one."""
    page = open_page(f"{served_of(with_picture)}/rows", width=width, scheme=scheme)
    accessible(page)
    page.get_by_role("link", name="Paste or drop a table").click()
    page.get_by_label("Or pasted").fill("picture\tstrip\trole\tseconds\nmade.png\tsteps\tstep\tsoon")
    page.get_by_role("button", name="Take it in").click()
    page.get_by_role("cell", name="seconds", exact=True).wait_for()
    accessible(page)
    page.goto(page.url.replace("/table", "/new"))
    accessible(page)
    page.get_by_label("Picture (needed)").fill("made.png")
    page.get_by_label("Strip (needed)").fill("steps")
    page.get_by_label("Role").select_option("step")
    page.locator("[name='cell.seconds']").fill("8 s")
    page.get_by_role("button", name="Save").press("Enter")
    page.get_by_text("Saved.").wait_for()
    accessible(page)
