"""Old scores on the page: typed, judged, changed, undone; the picture of them in Chromium."""

from __future__ import annotations

import re
from html import unescape

import pytest

TYPED = {
    "name": "notebook 2023",
    "ladder": "0 = 4 min\n2 = 3 min\n4 = 2 min\n8 = 1 min\n16 = 0 min",
    "scores": "Paste wax A; 0; 2023\n<b>Sealant</b> D; 0-2; 2023-05\nClear coat; 16; 2022-04-01",
    "exposed": "4 min",
    "steps_under_glass": "not known",
    "half_scores": "",
    "halfway": "",
    "follows": "",
}


def test_typed_scores_stand_there_judged(client):
    """303, then the page with each score under its verdict; names are text."""
    done = client.post("/old-scores/take-in", data=TYPED, follow_redirects=False)
    assert done.status_code == 303
    told = client.get(done.headers["location"]).text
    assert "Above luck: 1" in told and "Test again first" in told
    assert "&lt;b&gt;Sealant&lt;/b&gt; D" in told and "<b>Sealant" not in told


def test_every_fault_stands_at_its_field(client):
    """What was typed is kept in the form; nothing is taken in."""
    told = client.post("/old-scores/take-in", data=TYPED | {"ladder": "0 = soon", "exposed": ""})
    assert told.status_code == 422 and "2 fields to put right" in told.text
    at = {name: unescape(text) for name, text in re.findall(r'id="w-(\w+)">([^<]*)<', told.text)}
    assert set(at) == {"ladder", "exposed"} and "Line 1" in at["ladder"]
    assert "Clear coat; 16" in told.text and "Above luck" not in client.get("/old-scores").text


def test_change_undo_and_two_windows(client):
    """Changed with a reason from a form that shows what stands; undone; a stale form writes nothing."""
    client.post("/old-scores/take-in", data=TYPED)
    form = client.get("/old-scores").text
    taken = re.search(r"change=([^#\"]+)#", form)[1]
    assert "0 = 4 min" in client.get(f"/old-scores?change={taken}").text
    change = TYPED | {"scores": "Wax; 4", "reason": "misread", "follows": taken}
    assert "Taken in." in client.post("/old-scores/take-in", data=change).text
    stale = client.post("/old-scores/take-in", data=change | {"scores": "Wax; 8"})
    assert stale.status_code == 409 and "another window" in stale.text
    now = re.search(r"change=([^#\"]+)#", client.get("/old-scores").text)[1]
    assert "put back as it was" in client.post("/old-scores/undo", data={"table": now}).text
    assert client.post("/old-scores/undo", data={"table": now}).status_code == 404


def test_without_a_reason_it_is_asked_for(client):
    """The field for it appears with the fault."""
    client.post("/old-scores/take-in", data=TYPED)
    told = client.post("/old-scores/take-in", data=TYPED | {"scores": "Wax; 2"})
    assert told.status_code == 422 and 'id="f-reason"' in told.text


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_typed_on_the_screen(open_page, served, accessible, width):
    """By labels alone; the dot of a score in the shade lies in the shade, another does not."""
    page = open_page(f"{served}/old-scores", width=width)
    accessible(page)
    page.get_by_label("The ladder").fill(TYPED["ladder"])
    page.get_by_label("The scores").fill(TYPED["scores"])
    page.get_by_label("Name of this table").fill("notebook 2023")
    page.get_by_label("Strips exposed").fill("4 min")
    page.get_by_label("Steps under glass").select_option("no")
    page.get_by_role("button", name="Take them in").click()
    page.get_by_role("heading", name="notebook 2023").wait_for()
    accessible(page)

    def within_shade(product: str) -> bool:
        row = page.locator("li.lrow", has_text=product)
        shade, dot = (row.locator(s).first.bounding_box() for s in ("rect.luck", "circle"))
        return dot["x"] + dot["width"] / 2 < shade["x"] + shade["width"]

    assert within_shade("Paste wax A") and not within_shade("Clear coat")
    page.get_by_role("button", name="Undo the last change").click()
    page.get_by_role("button", name="Put back").click()
    page.get_by_text("put back as it was").wait_for()


@pytest.mark.browser
def test_in_the_dark(open_page, served, accessible, client):
    """Contrast holds in dark mode too, and where the glass is not known."""
    client.post("/old-scores/take-in", data=TYPED)
    accessible(open_page(f"{served}/old-scores", scheme="dark"))
