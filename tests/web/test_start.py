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
