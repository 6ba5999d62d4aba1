"""A tester's first hour on the screen: from an empty bench and one picture to a page that is published."""

from __future__ import annotations

import re
import threading
import time
import zipfile

import pytest

from fairpanel.rehearsal.suites import make_suite
from fairpanel.web.pages.reading import KIND

#: What each product blocks; every plate alike, so that a strip has one true value. [%]
PRODUCTS = {"Spray wax": 4.0, "Silazane coating": 38.0, "Sunscreen lotion": 70.0}

STEPS = "0, 1, 2, 3, 4 min"

MADE = make_suite(
    "scan_useful_geometric", 7, products=tuple(PRODUCTS.items()), per_picture=3, seconds=(240.0,),
    steps=(0.0, 60.0, 120.0, 180.0, 240.0), light="window", film_cv=0.0, film_uneven=0.0, dpi=100.0, table="short",
)  # fmt: skip

#: The tester's list: what lies in which place of the mat.
LIES = {row["box"]: row["product"] for row in MADE.rows if row["role"] == "product"}

#: One picture is read within seconds; other tests may be running beside this one. [ms]
PATIENCE = 60_000


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_from_one_picture_to_a_published_page(open_page, served, accessible, tmp_path, width):
    """By the screen alone: drop, name steps and strips, numbers, results, preview, write, take away.

    The intervals hold what the films of the made picture truly block, and the page taken away has every product
    with its number.
    """
    page = open_page(f"{served}/", width=width)
    put_on_the_bench(page, tmp_path)
    name_the_steps(page)
    for place, product in LIES.items():
        name_a_strip(page, place, product)
    numbers = read_the_numbers(page)
    accessible(page)
    for product, (value, low, high) in numbers.items():
        assert low <= PRODUCTS[product] <= high and low < value < high
    see_the_results(page, numbers)
    taken = publish(page)
    with zipfile.ZipFile(taken) as packed:
        told = packed.read("index.html").decode()
        assert packed.testzip() is None
    words = re.sub(r"(<[^>]*>|\s)+", " ", told)
    assert all(product in words and f"{value:.1f} %" in words for product, (value, _, _) in numbers.items())


def test_a_reading_that_ends_meanwhile_is_asked_for_again(client, monkeypatch):
    """Numbers fetched while a reading was going are not taken for its own, even if it ended before they were sent."""
    from fairpanel.jobs import picture_page

    told = client.post("/pictures", files={"pictures": ("scan.png", MADE.pictures[0].data)}, follow_redirects=False)
    may_end, see = threading.Event(), picture_page.see_picture
    piece = client.app.state.work.begin(KIND, "a reading", lambda tell: may_end.wait(10), writes=True)

    def see_and_end(*about):
        seen = see(*about)
        may_end.set()
        while piece.going:
            time.sleep(0.001)
        return seen

    monkeypatch.setattr(picture_page, "see_picture", see_and_end)
    address = told.headers["location"].split("?")[0]
    pending = [client.get(address, headers={"accept": "application/json"}).json()["pending"] for _ in range(2)]
    assert pending == [True, False]


# ---- what the tester does, in this order -----------------------------------------------------------------------


def put_on_the_bench(page, folder) -> None:
    """Choose the picture on the start page; it goes at once, and its own page opens."""
    picture = folder / MADE.pictures[0].name
    picture.write_bytes(MADE.pictures[0].data)
    page.get_by_label("Drop pictures here, or choose them").set_input_files(picture)
    page.wait_for_url("**/pictures/*", timeout=PATIENCE)


def name_the_steps(page) -> None:
    """The page asks for them first; one line of minutes."""
    page.get_by_role("link", name="Say what its steps were").click()
    save(page, {"Strip": "steps", "Seconds": STEPS}, role="step")


def name_a_strip(page, place: str, product: str) -> None:
    """Choose a strip by its place in the list, and say what lay over it and how long."""
    page.get_by_role("listitem").get_by_role("link", name=place, exact=True).click()
    save(page, {"Product": product, "Seconds": "4 min"}, role="product")


def save(page, said: dict[str, str], *, role: str) -> None:
    """Fill the form that is open, by the words at its fields, and save it."""
    form = page.locator("form[data-strip-form]")
    form.get_by_label("Role").select_option(role)
    for words, value in said.items():
        form.get_by_label(re.compile(f"^{words}\\b")).first.fill(value)
    form.get_by_role("button", name="Save").click()
    page.get_by_role("status").filter(has_text="Saved:").wait_for()


def read_the_numbers(page) -> dict[str, tuple[float, float, float]]:
    """Wait until each strip of the list has its number; value, low and high of each product."""
    from playwright.sync_api import expect

    found = {}
    for product in PRODUCTS:
        line = page.get_by_role("listitem").filter(has_text=product)
        expect(line).to_contain_text(re.compile(r"% \(.* to .*\)"), timeout=PATIENCE)
        value, low, high = re.search(r"([\d.]+) % \(([\d.−-]+) to ([\d.]+)\)", line.inner_text()).groups()
        found[product] = (float(value), float(low.replace("−", "-")), float(high))
    return found


def see_the_results(page, numbers) -> None:
    """Every product stands under a finding with its strip's value; those that block much under the one that says so."""
    page.get_by_role("navigation").get_by_role("link", name="Results").click()
    table = page.get_by_role("region", name="blocked", exact=True)
    for product, (value, _, _) in numbers.items():
        kind = re.compile(".") if PRODUCTS[product] < 10 else re.compile("^Shown")
        finding = table.get_by_role("region", name=kind)
        line = finding.get_by_role("listitem").filter(has=page.get_by_role("link", name=product))
        assert f"{value:.1f} %" in line.inner_text()


def publish(page):
    """Preview, look, write, take away; gives the file."""
    page.get_by_role("navigation").get_by_role("link", name="Publish").click()
    page.get_by_label("Title of the page").fill("My first test")
    page.get_by_role("button", name="Make the preview").click()
    preview = page.frame_locator("iframe")
    preview.get_by_role("heading", level=1, name="My first test").wait_for(timeout=PATIENCE)
    page.get_by_role("button", name="Write it onto the bench").click()
    page.get_by_text("Written, as you saw it").wait_for()
    with page.expect_download() as loading:
        page.get_by_role("link", name="Download as one file").click()
    return loading.value.path()
