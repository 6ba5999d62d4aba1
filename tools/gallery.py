"""Make docs/gallery: every page of the bench page as it looks on a made bench; run by `make gallery`.

The pages are those of the application's own bar, and what is reached from them by one or two links. Each becomes one
picture: in daylight and in the dark at desktop width, and at phone width.
"""

from __future__ import annotations

import io
import re
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from PIL import Image
from playwright.sync_api import Browser, Page, TimeoutError, sync_playwright

from fairpanel.jobs.demonstrating import demonstrate
from fairpanel.jobs.typed_old_scores import Typed, take_in_typed
from fairpanel.web.app import create_app
from fairpanel.web.serving import ADDRESS, Server, listen

DOCS = Path(__file__).parents[1] / "docs"

#: Width and height of the window, and the colours asked for.
Scheme = Literal["light", "dark"]
LOOKS: tuple[tuple[int, int, Scheme], ...] = ((1100, 840, "light"), (1100, 840, "dark"), (390, 840, "light"))

#: Waits for the images in the window; those further down are not asked for before they are scrolled to.
SEEN_IMAGES = """Promise.all([...document.images]
  .filter(i => i.getBoundingClientRect().top < innerHeight)
  .map(i => i.decode().catch(() => null)))"""

#: Shown so much smaller, so that all of it stays small. [1]
SMALLER = 0.6

#: What a page is about, where a window may end before it.
FURTHER_DOWN = "img.still, iframe.preview"

#: All pictures together. [byte]
MOST_BYTES = 1_450_000

OLD = Typed(
    "notebook 2023",
    "0 = 4 min\n2 = 3 min\n4 = 2 min\n8 = 1 min\n16 = 0 min",
    "Natural paste wax B; 2; 2023-05\nPaste wax A; 0; 2023-05\nSpray wax E; 0-2; 2023-05\nSilica spray G; 4; 2023-06\n"
    "Rinse-on sealant F; 2; 2023-06\nSealant D; 4; 2024-02\nTinted silica spray H; 0; 2024-02\n"
    "Paint film, TPU; 8; 2024-03\n2K clear coat panel-film; 16; 2024-03\nConsumer coating J; 4-8; 2024-03",
    "4 min",
    "not known",
)

#: Pages reached from others: heading, page of the bar, and what to follow there, in order. What is not there (any
#: more) is left out, and said.
FURTHER = (
    ("One product", "/results", ("a[href^='/results/product/']",)),
    ("Two products side by side", "/results/pair", ()),
    ("Curves of one picture", "/results/curves", ("main a[href^='/results/curves/']",)),
    ("One picture", "/pictures", ("main a[href^='/pictures/']",)),
    ("One campaign", "/campaigns", ("main a[href^='/campaigns/']",)),
    ("One run", "/runs", ("main a[href^='/runs/']",)),
    ("Run sheet", "/runs", ("main a[href^='/runs/']", "main a[href$='/sheet']")),
    ("Picture for video, before it is saved", "/still", ("main form button",)),
    ("Rehearsed", "/rehearse", ("#f-products=3", "#f-plates=1", "main form button.first", "[data-then]")),
    ("Publication, before it is written", "/publish", ("main form button.first", "iframe.preview")),
)


@dataclass(frozen=True)
class Shown:
    """A page in the gallery: its heading, name of its file and address without ids."""

    heading: str
    file: str
    where: str


def main(arguments: Sequence[str]) -> int:
    """Make the gallery, from a bench that is named or from a new demonstration."""
    with tempfile.TemporaryDirectory() as place:
        bench = Path(place) / "bench"
        if arguments:
            shutil.copytree(arguments[0], bench)
        else:
            demonstrate(bench)
        take_in_typed(bench, OLD)
        with _served(bench) as (address, bar), sync_playwright() as engine:
            browser = engine.chromium.launch(executable_path=shutil.which("chromium") or None)
            made = list(_pictures([_window(browser, *look) for look in LOOKS], address, bar))
            browser.close()
    _write(made)
    return 0


@contextmanager
def _served(bench: Path) -> Iterator[tuple[str, list[tuple[str, str]]]]:
    """Address of a server on the bench, and the pages of its bar."""
    listening = listen(ADDRESS, 0)
    app = create_app(bench)
    server = Server(app)
    thread = threading.Thread(target=server.run, args=([listening],), daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    yield f"http://{ADDRESS}:{listening.getsockname()[1]}", [(n.name, n.address) for n in app.state.nav]
    server.should_exit = True
    thread.join(20)


# ---- looking ---------------------------------------------------------------------------------------------------


def _pictures(
    windows: Sequence[Page], address: str, bar: Sequence[tuple[str, str]]
) -> Iterator[tuple[Shown, Image.Image]]:
    for name, where in bar:
        yield Shown(name, _file(name), where), _seen(windows, f"{address}{where}")
    for heading, start, follow in FURTHER:
        found = _followed(windows[0], f"{address}{start}", follow)
        if found is None:
            print(f"left out: {heading} (not reached from {start})", file=sys.stderr)
            continue
        yield Shown(heading, _file(heading), start), _seen(windows, found)


def _followed(page: Page, address: str, follow: Sequence[str]) -> str | None:
    """Address that is reached from a page by following links and pressing buttons; None where one is missing."""
    try:
        _go(page, address)
        found = not page.locator("h1", has_text="Not here").count() and all(_step(page, one) for one in follow)
        return page.url if found else None
    except TimeoutError:
        return None


def _step(page: Page, one: str) -> bool:
    """Follow one link or button, fill in a field, or wait for work; says whether there was anything."""
    if one == "[data-then]":  # work that the page waits for
        page.locator("[data-then], [data-work]").first.wait_for(state="detached", timeout=120_000)
        return True
    if one == "iframe.preview":
        page.wait_for_selector(one, timeout=120_000)
        return True
    field, _, value = one.partition("=")
    if field.startswith("#"):
        page.locator(field).fill(value)
        return True
    found = page.locator(one).first
    if not found.count():
        return False
    found.click()
    page.wait_for_load_state("load")  # a page with work on it goes on asking: the network is never idle
    page.wait_for_timeout(500)
    return True


def _window(browser: Browser, width: int, height: int, scheme: Scheme) -> Page:
    return browser.new_context(
        viewport={"width": width, "height": height}, color_scheme=scheme, reduced_motion="reduce", has_touch=width < 600
    ).new_page()


def _go(page: Page, address: str) -> None:
    """Open a page, and scroll to what it is about where that lies further down."""
    page.goto(address)
    page.wait_for_load_state("load")
    about = page.locator(FURTHER_DOWN).first
    if about.count():
        about.scroll_into_view_if_needed()
    page.evaluate(SEEN_IMAGES)
    page.wait_for_timeout(200)


def _seen(windows: Sequence[Page], address: str) -> Image.Image:
    """A page in all its looks, side by side."""
    looks = []
    for page in windows:
        _go(page, address)
        looks.append(Image.open(io.BytesIO(page.screenshot())).convert("RGB"))
    gap = 24
    whole = Image.new("RGB", (sum(i.width for i in looks) + gap * (len(looks) - 1), looks[0].height), "#9aa0a6")
    at = 0
    for one in looks:
        whole.paste(one, (at, 0))
        at += one.width + gap
    return whole.resize((round(whole.width * SMALLER), round(whole.height * SMALLER)), Image.Resampling.LANCZOS)


def _file(heading: str) -> str:
    return re.sub(r"[^a-z]+", "-", heading.casefold()).strip("-") + ".png"


# ---- writing ---------------------------------------------------------------------------------------------------


def _write(made: Sequence[tuple[Shown, Image.Image]]) -> None:
    """Pictures in as many colours as there is room for, and the page that shows them."""
    folder = DOCS / "gallery"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    packed: list[bytes] = []
    for colours in (96, 64, 48, 32, 24, 16):
        packed = [_packed(image, colours) for _, image in made]
        if sum(map(len, packed)) <= MOST_BYTES:
            break
    for (shown, _), data in zip(made, packed, strict=True):
        (folder / shown.file).write_bytes(data)
    (DOCS / "gallery.md").write_text(_page([shown for shown, _ in made]), encoding="utf-8")
    print(f"{len(made)} pages, {sum(map(len, packed)) / 1e6:.2f} MB")


def _packed(image: Image.Image, colours: int) -> bytes:
    out = io.BytesIO()
    image.quantize(colours, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE).save(out, "PNG", optimize=True)
    return out.getvalue()


def _page(shown: Sequence[Shown]) -> str:
    lines = [
        "# Gallery",
        "",
        "The bench page on a made bench, as `make gallery` saw it: in daylight, in the dark, and on a phone. All of",
        "it is invented; nothing is a measurement of any product. Colours are reduced to keep the files small.",
    ]
    for one in shown:
        lines += ["", f"## {one.heading}", "", f"![{one.heading}: daylight, dark, phone](gallery/{one.file})"]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
