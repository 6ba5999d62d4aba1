"""What holds for every page in the bar at the top, whoever wrote it: found by the application's own navigation."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from fairpanel.web.app import navigation, page_modules

ADDRESSES = [one.address for one in navigation(page_modules(), "NAV")]


class _Seen(HTMLParser):
    """What a page asks of the browser, and what it says of itself."""

    def __init__(self) -> None:
        super().__init__()
        self.tags, self.ids, self.labels, self.fields, self.asked, self.inline = [], [], set(), [], [], []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.tags.append(tag)
        self.ids += [given["id"]] if "id" in given else []
        self.asked += [given[a] for a in ("src", "href", "action", "poster", "data") if given.get(a)]
        self.inline += [a for a in given if a == "style" or a.startswith("on")]
        if tag == "script" and "src" not in given:
            self.inline.append("script")
        if tag == "label":
            self.labels.add(given.get("for"))
        if tag in ("input", "select", "textarea") and given.get("type") not in ("hidden", "submit"):
            self.fields.append(given)


@pytest.fixture
def seen(client_of, bench_folder, read_bench):
    """Each page on an empty bench and on one that was read: (address, bench, what is in it)."""

    def look():
        for folder in (bench_folder, read_bench):
            client = client_of(folder)
            for address in ADDRESSES:
                told = client.get(address)
                assert told.status_code == 200, (address, told.status_code)
                page = _Seen()
                page.feed(told.text)
                yield address, told.text, page

    return look


def test_it_is_whole_and_asks_nothing_of_anybody_else(seen):
    """One heading, a title, every field with a label, ids once, no inline script or style, no foreign address."""
    for address, text, page in seen():
        assert page.tags.count("h1") == 1 and page.tags.count("main") == 1, address
        assert re.search(r"<title>\S.* – garage</title>", text), address
        assert len(page.ids) == len(set(page.ids)), address
        assert page.inline == [], address
        assert all(f.get("id") in page.labels or "aria-label" in f for f in page.fields), address
        assert all(a.startswith(("/", "#", "data:", "blob:", "?")) and not a.startswith("//") for a in page.asked), (
            address
        )


def test_every_module_of_a_page_is_there(client, seen):
    """Style sheets and modules that pages name, and those that modules import."""
    wanted = {a for _, _, page in seen() for a in page.asked if a.startswith("/static/")}
    while wanted:
        address = wanted.pop()
        told = client.get(address)
        assert told.status_code == 200, address
        if ".mjs" in address:
            wanted |= {f"/static/{name}" for name in re.findall(r'from "\./([\w-]+\.mjs)"', told.text)}


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(320, "light"), (1280, "dark")])
def test_everybody_can_use_it(open_page, served_of, read_bench, accessible, width, scheme):
    """The automatic check on every page, on a small phone and a wide screen; nothing is cut, nothing jumps."""
    address = served_of(read_bench)
    page = open_page(f"{address}/", width=width, scheme=scheme)
    for one in ADDRESSES:
        page.goto(address + one)
        accessible(page)


@pytest.mark.browser
def test_the_keyboard_sees_where_it_is(open_page, served_of, read_bench):
    """Whatever the tabulator reaches is on the screen and has an outline of at least two pixels."""
    address = served_of(read_bench)
    page = open_page(f"{address}/")
    for one in ADDRESSES:
        page.goto(address + one)
        for _ in range(30):
            page.keyboard.press("Tab")
            found = page.evaluate(FOCUS)
            if found is None:
                break
            assert found["seen"] and found["outline"] >= 2, (one, found)


FOCUS = """
() => {
  const e = document.activeElement
  if (!e || e === document.body || e.tagName === "IFRAME") return null
  const box = e.getBoundingClientRect(), style = getComputedStyle(e)
  return { what: e.outerHTML.slice(0, 120), outline: style.outlineStyle === "none" ? 0 : parseFloat(style.outlineWidth),
    seen: box.width > 0 && box.height > 0 && box.bottom > 0 && box.right > 0 && box.top < innerHeight }
}
"""


@pytest.mark.browser
def test_without_script_the_pages_are_the_same_forms(open_page, served_of, read_bench):
    """Every page can be read and its first form sent with script switched off."""
    address = served_of(read_bench)
    page = open_page(f"{address}/", script=False)
    for one in ADDRESSES:
        page.goto(address + one)
        assert page.locator("h1").count() == 1
    page.goto(f"{address}/rehearse")
    page.get_by_label("Products").fill("none")
    page.get_by_role("button", name="Try it").click()
    page.get_by_text("1 field to put right").wait_for()
