"""The start page, from a new bench to one that was read."""

from __future__ import annotations

from html import unescape

import pytest


def test_a_new_bench_has_a_start_page(client):
    """Nothing to decide, nothing found, the bench's name, one heading."""
    told = client.get("/")
    assert told.status_code == 200
    for words in ("garage", "Nothing has been read yet.", "Needs a decision", "<h1>Due now</h1>"):
        assert words in told.text


def test_what_was_found_stands_there(client_of, read_bench):
    """Each product with its sentence, as the results say it."""
    from fairpanel.jobs.showing import load_last_read

    told = client_of(read_bench).get("/")
    found = load_last_read(read_bench).told
    assert len(found) == 3
    for one in found:
        assert one.sentence in unescape(told.text)


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 390])
def test_it_can_be_used_by_everybody(open_page, served_of, read_bench, accessible, width, scheme):
    """WCAG 2.2 AA as far as a machine can see; the first stop of the keyboard leads to the content."""
    page = open_page(f"{served_of(read_bench)}/", width=width, scheme=scheme)
    accessible(page)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


#: Puts something onto the page, as badly as it was written.
HARM = """
harm => {
  const place = document.createElement("div")
  place.innerHTML = harm
  document.querySelector("main").append(place)
  for (const b of place.querySelectorAll("button"))
    Object.assign(b.style, { minHeight: 0, padding: 0, fontSize: "6px", lineHeight: "8px" })
  for (const p of place.querySelectorAll("p")) p.style.overflowWrap = "normal"
}
"""


@pytest.mark.browser
def test_the_check_finds_what_is_wrong(open_page, served, accessible):
    """The check itself: a picture without words, grey on white, a target too small, a page too wide, a jump."""
    page = open_page(f"{served}/", width=390)
    accessible(page)
    for harm, told in (
        ("<img src='/static/icon.svg'>", "image-alt"),
        ("<p><font color='#bbb'>pale</font></p>", "color-contrast"),
        ("<button>a</button><button>b</button>", "target-size"),
        ("<p>" + "x" * 300 + "</p>", "sideways"),
    ):
        page.goto(f"{served}/")
        page.evaluate(HARM, harm)
        with pytest.raises(AssertionError, match=told):
            accessible(page)
    page.goto(f"{served}/")
    page.evaluate("new Promise(r => setTimeout(() => { document.querySelector('h1').style.marginTop = '300px'; "
                  "setTimeout(r, 100) }, 600))")  # fmt: skip
    with pytest.raises(AssertionError, match="moved by itself"):
        accessible(page)


SCRIPT = "<script>alert(1)</script>"


def test_a_product_called_like_a_script_is_text(client_of, bench_folder, tmp_path):
    """In the sentence of what was found, as in everything else on the page."""
    from fairpanel.jobs.reading import read_bench as read_all
    from fairpanel.jobs.take_in import take_in
    from fairpanel.rehearsal.suites import make_suite

    table = make_suite("scan_half", 7, per_picture=1, dpi=100.0, table="full").write(tmp_path / "made")
    table.write_text(table.read_text(encoding="utf-8").replace("Product 01", SCRIPT), encoding="utf-8")
    take_in(bench_folder, table)
    read_all(bench_folder)
    told = client_of(bench_folder).get("/").text
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in told and "<script>alert" not in told
