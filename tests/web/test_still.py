"""Save for video: only strips of one paper sheet, only what may be published, the numbers of the results."""

from __future__ import annotations

import csv
import io
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fairpanel.findings.rules import interval
from fairpanel.jobs import stills
from fairpanel.jobs.blinding import seal, veil
from fairpanel.jobs.entering import enter
from fairpanel.jobs.reading import read_bench
from fairpanel.jobs.results import Results
from fairpanel.jobs.stills import draw_still, offer
from fairpanel.jobs.take_in import take_in
from fairpanel.plan.things import kind_of
from fairpanel.publication.still import CannotDraw, still
from fairpanel.rehearsal.campaigns import FULL
from fairpanel.rehearsal.suites import make_suite
from fairpanel.storage.bench import Bench

COAT, LOTION, WAX = "Clear <i>coat</i> K", "Beach lotion Q", "Product 01"


def _changed(row: dict[str, str]) -> dict[str, str]:
    name = {"Product 02": COAT, "Product 03": LOTION}.get(row["product"], row["product"])
    kind = {COAT: "clear coat", LOTION: "sunscreen, SPF 30"}.get(name, "")
    role = "reference" if name in (COAT, LOTION) and row["role"] == "product" else row["role"]
    return {**row, "product": name, "kind": kind, "role": role}


@pytest.fixture(scope="session")
def _sheet_read_already(tmp_path_factory) -> Path:
    """One scan: a product, a reference, a sunscreen as method control, two strips under glass only, the steps."""
    place = tmp_path_factory.mktemp("sheet")
    made = make_suite("scan_controls", 11, per_picture=3, controls=2, dpi=100.0, table="full")
    for picture in made.pictures:
        (place / picture.name).write_bytes(picture.data)
    with (place / "table.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, FULL, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(_changed(row) for row in made.rows)
    Bench.create(place / "garage", zone="UTC").close()
    take_in(place / "garage", place / "table.csv")
    read_bench(place / "garage")
    return place / "garage"


@pytest.fixture
def sheet_bench(_sheet_read_already, tmp_path) -> Path:
    return Path(shutil.copytree(_sheet_read_already, tmp_path / "sheet" / "garage"))


@pytest.fixture
def results(sheet_bench) -> Results:
    return Results(sheet_bench)


def line_of(results: Results, product: str):
    return next(x for t in results.board().tables for x in t.lines if x.stored == product)


# ---- the job ---------------------------------------------------------------------------------------------------


def test_what_is_offered_lies_on_the_same_sheet(results):
    """Glass only and the reference; never the sunscreen, nor the steps."""
    offered = offer(results, line_of(results, WAX).id)
    (sheet,) = offered.sheets
    assert offered.missing == "" and len(sheet.glass_only) == 2
    assert [p.name for p in sheet.references] == [COAT]
    assert LOTION not in [p.name for p in sheet.pieces.values()]


def test_a_method_control_is_refused(results):
    """A sunscreen has no picture of its own either."""
    offered = offer(results, line_of(results, LOTION).id)
    assert offered.sheets == () and "method control" in offered.missing
    with pytest.raises(CannotDraw, match="method control"):
        draw_still(results, line_of(results, LOTION).id, sheet_id="")


def test_the_png_holds_pixels_and_nothing_else(results):
    """1920 by 1080; no chunk but the header, sRGB, pixels and end (PNG specification, third edition, 11.2 and 11.3)."""
    offered = offer(results, line_of(results, WAX).id)
    (sheet,) = offered.sheets
    ids = [sheet.glass_only[0].id, sheet.references[0].id]
    made = draw_still(results, offered.line.id, sheet_id=sheet.id, with_ids=ids)
    assert Image.open(io.BytesIO(made.png)).size == (1920, 1080)
    assert set(re.findall(rb"(IHDR|sRGB|IDAT|IEND|tEXt|iTXt|zTXt|eXIf|tIME|pHYs|iCCP)", _chunk_names(made.png))) == {
        b"IHDR", b"sRGB", b"IDAT", b"IEND"
    }  # fmt: skip
    assert made.notes == ()


def _chunk_names(data: bytes) -> bytes:
    names, at = b"", 8
    while at < len(data):
        names += data[at + 4 : at + 8]
        at += 12 + int.from_bytes(data[at : at + 4], "big")
    return names


def test_glass_only_is_darker_than_what_blocks(results):
    """Stretched or not, tones keep their order: the strip of the strongest blocker is lighter than glass only."""
    strongest = max((WAX, COAT), key=lambda name: line_of(results, name).shown.value)
    offered = offer(results, line_of(results, strongest).id)
    sheet = offered.sheets[0]
    made = draw_still(results, offered.line.id, sheet_id=sheet.id, with_ids=[sheet.glass_only[0].id])
    pixels = np.asarray(Image.open(io.BytesIO(made.png)))
    top, below = pixels[180:400, 80:300, 0].mean(), pixels[560:760, 80:300, 0].mean()
    assert offered.line.shown.value > 20 and top > below + 10


def test_strips_of_elsewhere_are_refused(results):
    """A row of the steps, or none at all, is no strip to be shown beside it."""
    line = line_of(results, WAX)
    for wrong in ("nothing", line.id):
        with pytest.raises(CannotDraw, match="not all from one paper sheet"):
            draw_still(results, line.id, sheet_id="", with_ids=[wrong])
    with pytest.raises(CannotDraw, match="paper sheet"):
        draw_still(results, line.id, sheet_id="elsewhere")


def test_without_glass_only_and_reference_it_is_said(read_bench):
    """Half plates and their steps alone: the product's strip can be shown, what is missing is told."""
    results = Results(read_bench)
    line = results.board().tables[0].lines[0]
    offered = offer(results, line.id)
    assert "glass only or a reference" in offered.missing and len(offered.sheets) == 1
    assert draw_still(results, line.id, sheet_id="").png.startswith(b"\x89PNG")


def test_while_sealed_codes_are_drawn(results, monkeypatch):
    """The very picture that is drawn with the code for a name, and not the one with the name."""
    line = line_of(results, WAX).id
    named = draw_still(results, line, sheet_id="").png
    assert veil(results.folder).codes == {}
    campaign = enter(results.folder, kind_of("campaign"), {"name": "spring"})
    seal(results.folder, campaign, alone=True)
    code = veil(results.folder).covered(WAX)
    drawn: list[str] = []
    monkeypatch.setattr(stills, "still", lambda s, **words: (drawn.extend(x.name for x in s), still(s, **words))[1])
    covered = draw_still(results, line, sheet_id="", title=f"{WAX} tried").png
    assert drawn == [code] and code != WAX and covered != named


# ---- the page --------------------------------------------------------------------------------------------------


def test_nothing_read_yet(client):
    """It says so."""
    assert "Nothing was read from pictures" in client.get("/still").text


def test_preview_and_saved_are_the_same_bytes(client_of, sheet_bench, results):
    """The link to save has a plain name, no product's."""
    client = client_of(sheet_bench)
    told = client.get("/still", params={"product": line_of(results, WAX).id}).text
    assert "&lt;i&gt;coat&lt;/i&gt;" in told and "<i>coat" not in told
    seen = re.search(r'<img class="still" src="([^"]+)"', told)[1].replace("&amp;", "&")
    saved = re.search(r'href="(/still/picture\.png[^"]+)" download', told)[1].replace("&amp;", "&")
    first, second = client.get(seen), client.get(saved)
    assert first.content == second.content and first.headers["content-type"] == "image/png"
    assert second.headers["content-disposition"] == 'attachment; filename="for-video.png"'
    words = interval(line_of(results, WAX).shown, line_of(results, WAX).quantity)
    assert re.search(rf'alt="[^"]*{WAX}, {re.escape(words)}', told)


def test_wrong_addresses_are_answered_in_words(client_of, sheet_bench, results):
    """No such product, sheet or strip."""
    client = client_of(sheet_bench)
    line = line_of(results, WAX).id
    assert "choose it again" in client.get("/still", params={"product": "gone"}).text
    for wrong in ({"product": "gone"}, {"product": line, "with": "x"}, {"product": line, "sheet": "../../x"}):
        assert client.get("/still/picture.png", params=wrong).status_code == 404


@pytest.mark.browser
@pytest.mark.parametrize(("width", "scheme"), [(1280, "dark"), (390, "light")])
def test_on_the_screen(open_page, served_of, accessible, sheet_bench, width, scheme):
    """By labels alone: choose, look, leave the reference out, save."""
    page = open_page(f"{served_of(sheet_bench)}/still", width=width, scheme=scheme)
    accessible(page)
    page.get_by_label("Product", exact=True).select_option(label=WAX)
    page.get_by_role("button", name="Show the picture").click()
    picture = page.get_by_role("img", name="Strips under each other")
    assert picture.evaluate("i => i.decode().then(() => i.naturalWidth)") == 1920
    accessible(page)
    page.get_by_label("Reference").select_option("none")
    page.get_by_label("Title").fill("Spring test")
    page.get_by_role("button", name="Show the picture").click()
    page.wait_for_url("**title=Spring+test**")
    assert "coat" not in page.get_by_role("img", name="Strips under each other").get_attribute("alt")
    with page.expect_download() as saving:
        page.get_by_role("link", name="Save this picture").click()
    assert saving.value.suggested_filename == "for-video.png"
