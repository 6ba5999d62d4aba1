"""Results: the table by finding, one product, two side by side, curves; as pages and, with script, at once."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from fairpanel.jobs.blinding import seal
from fairpanel.jobs.reading import read_bench as read_again
from fairpanel.jobs.take_in import take_in
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench

SCRIPT = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def _made(tmp_path_factory) -> Path:
    """Four half plates; one product's name is a script, and one strip hangs out of the picture."""
    place = tmp_path_factory.mktemp("results")
    table = make_suite("scan_half", 3, per_picture=4, dpi=100.0, table="full").write(place / "made")
    text = table.read_text().replace("Product 02", SCRIPT)
    head, first = text.splitlines()[:2]
    cells = dict(zip(head.split(","), first.split(","), strict=True))
    cells = dict.fromkeys(cells, "") | {"method": cells["method"], "picture": cells["picture"], "role": "product"}
    cells |= {"strip": "out", "seconds": "130", "product": "Product 03", "box": "1 1 90000 40"}
    table.write_text(text + ",".join(cells.values()) + "\n")
    Bench.create(place / "garage", zone="UTC").close()
    take_in(place / "garage", table)
    read_again(place / "garage")
    return place / "garage"


@pytest.fixture
def results_bench(_made, tmp_path) -> Path:
    """A copy of it."""
    return Path(shutil.copytree(_made, tmp_path / "results" / "garage"))


def ids_in(told: str) -> list[str]:
    """Addresses of products, in the order of the page, each once."""
    return list(dict.fromkeys(re.findall(r"/results/product/([0-9a-f]+)", told)))


def names_in(told: str) -> list[str]:
    """Names of the products of the table, in the order of the page."""
    return re.findall(r'<a href="/results/product/[0-9a-f]+">([^<]+)</a>', told)


def test_before_anything_was_read(client):
    """Every page says so, and none breaks."""
    assert "Nothing has been read" in client.get("/results").text
    assert "No number on this bench" in client.get("/results/curves").text
    assert client.get("/results/pair").text == client.get("/results").text
    assert client.get("/results/product/0123456789abcdef").status_code == 404
    assert client.get("/results/strip?picture=x&strip=y").status_code == 404


def test_the_table_shows_every_product_by_finding(client_of, results_bench):
    """Numbers with their intervals, the finding as heading, a script in a name as text; and what was refused."""
    told = client_of(results_bench).get("/results").text
    assert "&lt;script&gt;alert(1)" in told and SCRIPT not in told
    assert len(ids_in(told)) == 4 and "4 of 4 results shown" in told
    assert re.search(r"\d+\.\d % \(−?\d+\.\d to \d+\.\d\)", told)
    assert 'aria-label="Shown"' in told and "strip out" in told


def test_filter_and_order_by_plain_links(client_of, results_bench):
    """By words of the name, by finding, by doubts, and in each order; what is unknown changes nothing."""
    client = client_of(results_bench)
    assert names_in(client.get("/results?words=uct+03").text) == ["Product 03"]
    assert names_in(client.get("/results?words=PRODUCT&finding=nonsense&order=nonsense").text) == [
        "Product 01", "Product 03", "Product 04"
    ]  # fmt: skip
    assert "No result is like this" in client.get("/results?words=nothing+like+it").text
    assert "No result is like this" in client.get("/results?finding=not_read").text
    whole = client.get("/results?order=value&finding=shown").text
    values = [float(x.replace("−", "-")) for x in re.findall(r'class="number">([−\d.]+) %', whole)]
    assert len(values) >= 3 and values == sorted(values, reverse=True)
    widths = [
        float(b.replace("−", "-")) - float(a.replace("−", "-"))
        for a, b in re.findall(r"% \((−?[\d.]+) to (−?[\d.]+)\)", client.get("/results?order=width&finding=shown").text)
    ]
    assert widths == sorted(widths)


def test_one_product_with_everything_behind_its_number(client_of, results_bench):
    """Limits in words, budget biggest first, strips with their pictures, curve, refusal with its product, rows."""
    client = client_of(results_bench)
    told = client.get("/results").text
    id = dict(zip(names_in(told), ids_in(told), strict=True))["Product 03"]
    told = client.get(f"/results/product/{id}").text
    for words in ("The smallest amount we call real", "The smallest we would rarely miss", "Advice for the next test",
                  "What was refused, and why", "strip out", "The rows behind it", "lamp 1"):  # fmt: skip
        assert words in told, words
    points = [float(x) for x in re.findall(r'<span class="size">([\d.]+) points', told)]
    assert len(points) >= 3 and points == sorted(points, reverse=True)
    (image,) = re.findall(r'<img class="strip" src="([^"]+)" loading="lazy" alt="From left to right: ([^"]+)"', told)
    assert "glass only" in image[1]
    cut = client.get(image[0].replace("&amp;", "&"))
    assert cut.headers["content-type"] == "image/jpeg" and cut.content[:2] == b"\xff\xd8" and b"Exif" not in cut.content
    (curve,) = re.findall(r'<img class="curve" src="([^"]+)"', told)
    drawn = client.get(curve)
    assert drawn.headers["content-type"] == "image/svg+xml" and b"<svg" in drawn.content
    assert "script-src" not in drawn.headers["content-security-policy"]
    assert client.get(curve.replace("/1.svg", "/2.svg")).status_code == 404
    picture = re.search(r'href="(/results/curves/[0-9a-f]+)"', told)[1]
    of_picture = client.get(picture).text
    assert of_picture.count('class="strip"') == 4 and f'href="/results/product/{id}"' in of_picture
    assert SCRIPT not in of_picture and picture in client.get("/results/curves").text


def test_two_products_and_what_may_be_said(client_of, results_bench):
    """A sentence, the difference drawn, the shared errors named; either way round the same is said."""
    client = client_of(results_bench)
    a, b = ids_in(client.get("/results").text)[:2]
    there, back = (client.get(f"/results/pair?of={x}&of={y}").text for x, y in ((a, b), (b, a)))
    said = re.search(r'<p class="said">([^<]+)</p>', there)[1]
    assert said in back and ("are different" in said or "are not told apart" in said)
    assert "With all 6 pairs looked at together" in said and "Both share errors from" in there


@pytest.mark.parametrize("query", ["of=A", "of=A&of=A", "of=A&of=0123", "of=A&of=B&of=C"])
def test_two_that_cannot_be_put_side_by_side(client_of, results_bench, query):
    """One, the same twice, an unknown one, three: the page says what to choose."""
    client = client_of(results_bench)
    for letter, id in zip("ABC", ids_in(client.get("/results").text), strict=False):
        query = query.replace(f"={letter}", f"={id}")
    answer = client.get(f"/results/pair?{query}")
    assert answer.status_code == 422 and 'role="alert"' in answer.text


def test_a_newer_read_is_seen_at_once(client_of, results_bench):
    """Ids of the former read lead nowhere, and the page says why."""
    client = client_of(results_bench)
    before = ids_in(client.get("/results").text)
    read_again(results_bench)
    after = ids_in(client.get("/results").text)
    assert len(after) == 4 and not set(before) & set(after)
    gone = client.get(f"/results/product/{before[0]}")
    assert gone.status_code == 404 and "read anew" in gone.text


def test_no_name_shows_while_a_campaign_is_sealed(client_of, results_bench):
    """Codes stand in their places: in the table, on a product's page, in sentences, curves and addresses."""
    client = client_of(results_bench)
    names = [n for n in names_in(client.get("/results").text) if n.startswith("Product")]
    with Bench.open(results_bench) as bench:
        campaign = bench.nouns("campaign")[0].id
    seal(results_bench, campaign, alone=False)
    told = client.get("/results").text
    one, other = ids_in(told)[:2]
    picture = re.search(r'href="(/results/curves/[0-9a-f]+)"', client.get(f"/results/product/{one}").text)[1]
    addresses = (f"/results/product/{one}", f"/results/pair?of={one}&of={other}", picture, f"{picture}/maps")
    for text in (told, *(client.get(address).text for address in addresses)):
        assert "<main" in text and not any(name in text or name.lower() in text for name in names)


def test_maps_over_the_strips(client_of, results_bench):
    """One for each strip that has a number, with words that say what differs, and a drawing."""
    client = client_of(results_bench)
    picture = re.search(r'href="(/results/curves/[0-9a-f]+)"', client.get("/results/curves").text)[1]
    told = client.get(f"{picture}/maps").text
    drawings = re.findall(r'<img class="curve" src="([^"]+)"', told)
    assert len(drawings) == 4 and told.count("differ") >= 4 and "lowest area" in told
    assert b"% blocked" in client.get(drawings[0]).content


# ---- in the browser ----------------------------------------------------------------------------------------------


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_filter_and_pair_on_the_screen(open_page, served_of, results_bench, accessible, width):
    """Typing filters at once; two ticks and a press put two side by side; from there to a product and its picture."""
    page = open_page(f"{served_of(results_bench)}/results", width=width)
    accessible(page)
    page.get_by_label("Name", exact=True).fill("product")
    assert page.locator("li.row:visible").count() == 3
    assert page.get_by_text("3 of 4 results shown").is_visible() and page.url.endswith("words=product")
    page.get_by_label("Name", exact=True).fill("")
    page.get_by_label("Within each finding").select_option("value")
    shown = page.locator('[data-group="shown"] li.row')
    values = [float(x) for x in shown.evaluate_all("rows => rows.map((row) => row.dataset.value)")]
    assert values == sorted(values)
    button = page.get_by_role("button", name="Put two side by side")
    assert button.is_disabled()
    page.locator("li.row input").nth(0).check()
    page.locator("li.row input").nth(1).check()
    button.click()
    page.wait_for_url("**/results/pair?*")
    accessible(page)
    page.locator(".two a").first.click()
    page.wait_for_url("**/results/product/*")
    page.locator("img.curve").scroll_into_view_if_needed()
    for picture in ("img.strip", "img.curve"):
        assert (
            page.locator(picture).first.evaluate("async (one) => { await one.decode(); return one.naturalWidth; }") > 50
        )
    accessible(page)
    page.get_by_role("link", name="its curve").click()
    page.wait_for_url("**/results/curves/*")
    accessible(page)


@pytest.mark.browser
def test_without_script(open_page, served_of, results_bench):
    """The same form asks the server."""
    page = open_page(f"{served_of(results_bench)}/results", script=False)
    page.get_by_label("Name", exact=True).fill("product 04")
    page.get_by_role("button", name="Show").click()
    assert page.locator("li.row").count() == 1
