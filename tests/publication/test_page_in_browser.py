"""The page as a browser shows it, opened from its folder with the network off."""

import pytest

pytestmark = pytest.mark.browser

#: Relative luminance and contrast of every text on the page against what lies behind it (WCAG 2.2, 1.4.3).
CONTRASTS = """
() => {
  const parts = c => c.match(/[\\d.]+/g).map(Number);
  const lum = c => { const [r, g, b] = parts(c).map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const behind = e => { for (; e; e = e.parentElement) { const c = getComputedStyle(e).backgroundColor;
    if (parts(c).length < 4 || parts(c)[3] > 0) return c; } return 'rgb(255, 255, 255)'; };
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement, style = getComputedStyle(e);
    if (!walk.currentNode.data.trim() || !e.getClientRects().length) continue;
    const ink = lum(e.namespaceURI.endsWith('svg') ? style.fill : style.color), ground = lum(behind(e));
    found.push((Math.max(ink, ground) + 0.05) / (Math.min(ink, ground) + 0.05));
  }
  return found;
}
"""


@pytest.fixture
def opened(browser, published):
    """The page opened in a window; what it asked for and complained of is kept."""
    windows = []

    def open_(*, width=1200, scheme="light", script=True):
        window = browser.new_context(
            viewport={"width": width, "height": 900}, color_scheme=scheme, offline=True, java_script_enabled=script
        )
        windows.append(window)
        page = window.new_page()
        page.asked, page.said = [], []
        page.on("request", lambda r: page.asked.append(r.url))
        page.on("console", lambda m: page.said.append(m.text))
        page.on("requestfailed", lambda r: page.said.append(r.url))
        page.goto((published / "index.html").as_uri())
        return page

    yield open_
    for window in windows:
        window.close()


def test_it_opens_with_network_and_script_off(opened):
    """The table, its bars and the first pictures are there; nothing is asked of any host."""
    page = opened(script=False)
    assert page.get_by_role("heading", level=1).inner_text() == "Spring test"
    assert page.locator("li.row circle.value").count() == 4
    assert all(url.startswith("file:") for url in page.asked) and page.said == []


def test_every_picture_and_chart_is_shown(opened):
    """Once scrolled to, all have their pixels, under the page's own policy."""
    page = opened()
    for image in page.locator("img").all():
        image.scroll_into_view_if_needed()
    for _ in range(100):  # asked again and again: the page's policy forbids the waiting that evaluates text
        if page.evaluate("[...document.images].every(i => i.complete)"):
            break
        page.wait_for_timeout(50)
    sizes = page.evaluate("[...document.images].map(i => i.naturalWidth)")
    assert len(sizes) == 6 and min(sizes) > 0
    assert page.said == []


@pytest.mark.parametrize("width", [320, 360, 800, 1920])
def test_nothing_is_cut_or_scrolls_sideways(opened, width):
    """From a small phone to a wide screen."""
    page = opened(width=width)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    rights = page.evaluate("[...document.querySelectorAll('img, p, li, dd')].map(e => e.getBoundingClientRect().right)")
    assert max(rights) <= width


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_text_can_be_read(opened, scheme):
    """At least 4.5 to 1 in daylight and dark; WCAG 2.2, success criterion 1.4.3, level AA."""
    page = opened(scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    contrasts = page.evaluate(CONTRASTS)
    assert len(contrasts) > 100 and min(contrasts) >= 4.5
    grounds = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (sum(map(int, grounds[4:-1].split(","))) < 200) == (scheme == "dark")


def test_a_product_called_like_a_script_is_text(opened, names):
    """It shows, and nothing runs."""
    page = opened()
    asked = []
    page.on("dialog", lambda d: (asked.append(d.message), d.dismiss()))
    page.reload()
    assert page.get_by_role("link", name=names.script).count() == 1
    assert page.locator("script").count() == 0 and asked == []
