"""Links inside the project lead somewhere."""

import re

import pytest
from the_pages import PAGES, text_of


def anchors(text: str) -> set[str]:
    """Anchors of a page's headings, as Markdown hosts make them: lower case, blanks as hyphens, other signs dropped."""
    headings = re.findall(r"^#+ (.*)$", re.sub(r"^```.*?^```", "", text, flags=re.S | re.M), re.M)
    return {re.sub(r"[^\w\- ]", "", h.lower()).strip().replace(" ", "-") for h in headings}


@pytest.mark.parametrize("name", PAGES)
def test_links_lead_to_files_and_headings_that_exist(name):
    """Relative to the page; nothing leads out of the project."""
    for target in re.findall(r"\]\(([^)\s]+)\)", text_of(name)):
        path, _, anchor = target.partition("#")
        file = (PAGES[name].parent / path).resolve() if path else PAGES[name]
        assert file.exists(), f"{name}: the link to {target} leads nowhere; mend it in that page"
        if anchor:
            text = file.read_text(encoding="utf-8")
            assert anchor in anchors(text), f"{name}: {path or name} has no heading for #{anchor}; mend the link"


@pytest.mark.parametrize("name", PAGES)
def test_pages_name_no_place_on_a_machine(name):
    """No address, no absolute path."""
    assert not re.search(r"https?://|(?<![\w.])/(?:home|root|tmp|usr|work|var)\b", text_of(name))
