"""Pictures that can be opened but are not as they should be: refused at reading, doubted, or read as usual.

Each goes through the real jobs, as a file and a table. What a sound picture of the same strips gives is the measure: so
nothing here depends on how well the reader reads.
"""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from fairpanel.methods import method_named

DOUBTS = {f.name for f in method_named("uv_strip").flags if f.doubt}

#: A picture read as usual gives the value of the sound one within this. [points of blocked]
SAME = 1.0


# ---- ways to spoil a picture -------------------------------------------------------------------------------------


def _png(pixels, scan, **more):
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG", compress_level=1, icc_profile=scan.profile, **more)
    return out.getvalue()


def _as(image, kind, **more):
    out = io.BytesIO()
    image.save(out, kind, **more)
    return out.getvalue()


def _in_light(pixels, change):
    """Codes after a change of the linear light (sRGB curve, IEC 61966-2-1)."""
    codes = np.arange(256) / 255
    light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4).astype(np.float32)
    x = np.clip(change(light[pixels]), 0, 1)
    return np.rint(255 * np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)).astype(np.uint8)


def _blot(pixels, place, sd_px):
    """(height, width, 1) bump of height 1 around a place."""
    y, x = np.mgrid[: pixels.shape[0], : pixels.shape[1]]
    return np.exp(-((x - place[0]) ** 2 + (y - place[1]) ** 2) / (2 * sd_px**2))[..., None]


def _shadow(pixels):
    """The light of the lower right taken down by 45 %, with a soft edge across the strips."""
    height, width = pixels.shape[:2]
    y, x = np.mgrid[:height, :width]
    dark = cv2.GaussianBlur((x + 0.6 * y > 0.5 * width + 0.3 * height).astype(np.float32), (0, 0), width / 200)
    return _in_light(pixels, lambda light: light * (1 - 0.45 * dark[..., None]))


def _resized(pixels, scan, across, down):
    """The picture at another size, and its rows with boxes that fit."""
    height, width = pixels.shape[:2]
    size = (round(width * across), round(height * down))
    return cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), _scaled(scan.rows, across, down)


def _scaled(rows, across, down):
    def box(text):
        corners = np.array(text.split(), float).reshape(-1, 2) * [across, down]
        return " ".join(f"{v:.2f}" for v in corners.ravel())

    return [r | {"box": box(r["box"])} for r in rows]


def _painted(scan, patches):
    """Patches filled with a colour, with a little noise everywhere."""
    pixels = scan.pixels.copy()
    for (strip, patch), colour in patches.items():
        corners = np.round(scan.outlines[strip, patch]).astype(np.int32)
        cv2.fillPoly(pixels, [corners], [int(v) for v in colour])
    return (pixels + np.random.default_rng(3).normal(0, 2, pixels.shape)).clip(0, 255).astype(np.uint8)


def _tone(scan, strip, patch):
    x, y = scan.place(strip, patch)
    return scan.pixels[y - 4 : y + 5, x - 4 : x + 5].reshape(-1, 3).mean(axis=0)


def _steps_by_time(scan):
    rows = [r for r in scan.rows if r["strip"] == scan.steps]
    return sorted(range(len(rows)), key=lambda i: float(rows[i]["seconds"]))


def _doubts(shown):
    """Strip to its doubts."""
    return {s["strip"]: set(s["flags"]) & DOUBTS for s in shown["strips"]}


# ---- refused at reading ------------------------------------------------------------------------------------------


def _refused(shown, scan, reason):
    """Every strip with a product is refused for that reason, with a remedy; nothing is read."""
    assert shown["strips"] == []
    told = {r["strip"]: r for r in shown["refused"]}
    assert set(scan.film) <= set(told)
    for strip in scan.film:
        assert reason in told[strip]["reason"] and "nan" not in told[strip]["reason"] and told[strip]["what_to_do"]
    assert {r["finding"] for r in shown["results"]} == {"not_read"}


def test_no_steps(read_picture, on_bed):
    """Rows of products alone."""
    rows = [r for r in on_bed.rows if r["strip"] != on_bed.steps]
    _refused(read_picture(_png(on_bed.pixels, on_bed), "a.png", rows), on_bed, "no step strip")


def test_steps_in_disorder(read_picture, on_bed):
    """Two steps' times exchanged in the table."""
    rows = [dict(r) for r in on_bed.rows]
    of_steps = [r for r in rows if r["strip"] == on_bed.steps]
    of_steps[1]["seconds"], of_steps[-2]["seconds"] = of_steps[-2]["seconds"], of_steps[1]["seconds"]
    _refused(read_picture(_png(on_bed.pixels, on_bed), "a.png", rows), on_bed, "out of order")


def test_a_mirrored_picture(read_picture, on_mat):
    """Seen by the markers of the mat."""
    mirrored = np.ascontiguousarray(on_mat.pixels[:, ::-1])
    _refused(read_picture(_png(mirrored, on_mat), "a.png", on_mat.rows), on_mat, "mirrored")


def _blank(pixels):
    return np.full_like(pixels, 235)


def _noise(pixels):
    return np.random.default_rng(0).integers(0, 256, pixels.shape, dtype=np.uint8)


@pytest.mark.parametrize("spoil", [_blank, np.zeros_like, _noise], ids=["blank", "black", "noise"])
def test_nothing_to_see_where_the_mat_should_be(read_picture, on_mat, spoil):
    """The markers are missed."""
    _refused(read_picture(_png(spoil(on_mat.pixels), on_mat), "a.png", on_mat.rows), on_mat, "markers cannot be found")


@pytest.mark.parametrize("spoil", [_blank, np.zeros_like, _noise], ids=["blank", "black", "noise"])
def test_nothing_to_see_inside_the_outlines(read_picture, on_bed, spoil):
    """The steps are missed."""
    _refused(read_picture(_png(spoil(on_bed.pixels), on_bed), "a.png", on_bed.rows), on_bed, "hardly differ")


# ---- doubted -----------------------------------------------------------------------------------------------------


def _clipped(scan):
    return _png(_in_light(scan.pixels, lambda light: 1.5 * light), scan)


def _defocused(scan):
    return _png(cv2.GaussianBlur(scan.pixels, (0, 0), 3.0), scan)


def _very_dark(scan):
    return _png(_in_light(scan.pixels, lambda light: 0.05 * light), scan)


def _see_through(scan):
    """Alpha falls from opaque to two thirds across the picture."""
    height, width = scan.pixels.shape[:2]
    alpha = np.tile(np.linspace(255, 170, width).astype(np.uint8), (height, 1))
    return _png(np.dstack([scan.pixels, alpha]), scan)


SPOILT = {
    "clipped": (_clipped, {"clipped"}),
    "defocused": (_defocused, {"out of focus"}),
    "very dark": (_very_dark, {"very dark"}),
    "grey": (lambda scan: _as(Image.fromarray(scan.pixels).convert("L"), "PNG"), {"no colour"}),
    "CMYK": (lambda scan: _as(Image.fromarray(scan.pixels).convert("CMYK"), "TIFF"), {"colours converted"}),
    "palette": (lambda scan: _as(Image.fromarray(scan.pixels).quantize(96), "PNG"), {"few colours"}),
    "varying alpha": (_see_through, {"see-through picture"}),
    "shadow": (lambda scan: _png(_shadow(scan.pixels), scan), {"shadow edge", "uneven light left"}),
}


@pytest.mark.parametrize(
    ("what", "base"),
    [*((what, "on_bed") for what in SPOILT), *((what, "on_mat") for what in ("clipped", "defocused", "shadow"))],
)
def test_a_spoilt_picture_is_doubted(read_picture, request, what, base):
    """Every strip that is read carries the doubt that names the fault."""
    scan = request.getfixturevalue(base)
    spoil, doubts = SPOILT[what]
    name = "a.tif" if what == "CMYK" else "a.png"
    shown = read_picture(spoil(scan), name, scan.rows)
    assert {s["strip"] for s in shown["strips"]} == set(scan.film)
    for strip, carried in _doubts(shown).items():
        assert carried & doubts, strip


def test_a_tiny_picture(read_picture, on_bed):
    """Thirty dots to the inch."""
    pixels, rows = _resized(on_bed.pixels, on_bed, 0.3, 0.3)
    shown = read_picture(_png(pixels, on_bed), "a.png", rows)
    assert all("few pixels" in carried for carried in _doubts(shown).values()) and len(shown["strips"]) == 2


@pytest.mark.parametrize(
    ("base", "share", "light"),
    [("on_bed", 0.1, 0.5), ("on_bed", 0.25, 0.5), ("on_mat", 0.1, 0.5), ("on_mat", 0.4, 0.3)],
)
def test_glare_on_a_strip(read_picture, request, base, share, light):
    """A spot of a tenth, and a soft one of a good part of the strip's width; the strip that it lies on is doubted."""
    scan = request.getfixturevalue(base)
    strip = scan.film[0]
    row = next(i for i, r in enumerate(r for r in scan.rows if r["strip"] == strip) if r["role"] == "product")
    blot = _blot(scan.pixels, scan.place(strip, row), share * scan.strip_px)
    shown = read_picture(_png(_in_light(scan.pixels, lambda x: x + light * blot), scan), "a.png", scan.rows)
    assert _doubts(shown)[strip] & {"glare", "clipped", "colours disagree"}


@pytest.mark.parametrize("base", ["on_bed", "on_mat"])
def test_steps_that_are_all_saturated(read_picture, request, base):
    """All but the unexposed one as dark as the darkest: doubted, and no number pretends to know the curve."""
    scan = request.getfixturevalue(base)
    order = _steps_by_time(scan)
    darkest = _tone(scan, scan.steps, order[-1])
    painted = {(scan.steps, i): darkest * (1 + 0.01 * (k % 3)) for k, i in enumerate(order) if k}
    shown = read_picture(_png(_painted(scan, painted), scan), "a.png", scan.rows)
    for s in shown["strips"]:
        assert set(s["flags"]) & {"steps saturated", "steps indistinct"}
        assert s["blocked"] is None or s["high"] - s["low"] > 15


def test_steps_without_a_light_one_that_are_all_saturated(read_picture, on_bed):
    """The unexposed step is as dark as the rest: the strips are lighter than anything known of the paper."""
    order = _steps_by_time(on_bed)
    darkest = _tone(on_bed, on_bed.steps, order[-1])
    painted = {(on_bed.steps, i): darkest * (1 + 0.03 * (len(order) - k)) for k, i in enumerate(order)}
    shown = read_picture(_png(_painted(on_bed, painted), on_bed), "a.png", on_bed.rows)
    assert all(carried for carried in _doubts(shown).values())


def test_a_sample_outside_the_steps(read_picture, on_bed):
    """Darker than the darkest step: doubted, at most a bound."""
    strip = on_bed.film[0]
    darkest = _tone(on_bed, on_bed.steps, _steps_by_time(on_bed)[-1])
    shown = read_picture(_png(_painted(on_bed, {(strip, 0): 0.8 * darkest}), on_bed), "a.png", on_bed.rows)
    (own,) = [s for s in shown["strips"] if s["strip"] == strip]
    assert "outside the steps" in own["flags"]
    assert own["blocked"] is None or own["blocked"] < 0


def test_strips_that_are_cut_off(read_picture, on_bed):
    """The frame ends in the middle of both strips: each is refused for that, not the table."""
    ends_at = on_bed.place(on_bed.film[0])[1]
    rows = [dict(r) for r in on_bed.rows]
    for row in rows:
        corners = np.array(row["box"].split(), float).reshape(-1, 2) - [0, ends_at]
        row["box"] = " ".join(f"{v:.1f}" for v in corners.ravel())
    shown = read_picture(_png(on_bed.pixels[ends_at:].copy(), on_bed), "a.png", rows)
    assert {(r["strip"], r["reason"]) for r in shown["refused"]} == {
        (strip, "its outline lies partly outside the picture") for strip in on_bed.film
    }


# ---- read as usual -----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sound(on_bed, tmp_path_factory, empty_already):
    """What the sound picture gives: strip to (value, low, high)."""
    return _values(_read_apart(tmp_path_factory, empty_already, _png(on_bed.pixels, on_bed), on_bed.rows))


@pytest.fixture(scope="module")
def sound_on_mat(on_mat, tmp_path_factory, empty_already):
    """The same of the mat."""
    return _values(_read_apart(tmp_path_factory, empty_already, _png(on_mat.pixels, on_mat), on_mat.rows))


def _read_apart(tmp_path_factory, empty, data, rows):
    import shutil

    from fairpanel.jobs.reading import read_bench
    from fairpanel.jobs.showing import as_json, load_last_read
    from fairpanel.jobs.take_in import take_in
    from fairpanel.rehearsal.campaigns import FULL, TableForm, table_bytes

    folder = tmp_path_factory.mktemp("sound")
    (folder / "a.png").write_bytes(data)
    (folder / "table.csv").write_bytes(table_bytes([r | {"picture": "a.png"} for r in rows], TableForm(FULL)))
    shutil.copytree(empty, folder / "bench")
    take_in(folder / "bench", folder / "table.csv")
    read_bench(folder / "bench")
    return as_json(load_last_read(folder / "bench"))


def _values(shown):
    return {s["strip"]: s["blocked"] for s in shown["strips"] if not set(s["flags"]) & DOUBTS}


def _as_usual(shown, sound, *, within=SAME):
    """All strips read without a doubt, each as in the sound picture."""
    assert shown["refused"] == []
    assert _doubts(shown) == {strip: set() for strip in sound}
    for s in shown["strips"]:
        assert s["blocked"] == pytest.approx(sound[s["strip"]], abs=within)


def _sixteen(pixels, ending):
    """16 bits, without a profile: the made scan's own is near enough to sRGB."""
    return cv2.imencode(ending, np.ascontiguousarray(pixels[..., ::-1]).astype(np.uint16) * 257)[1].tobytes()


USUAL = {
    "16 bit PNG": (lambda p, icc: _sixteen(p, ".png"), "a.png"),
    "16 bit TIFF": (lambda p, icc: _sixteen(p, ".tif"), "a.tif"),
    "opaque alpha": (lambda p, icc: _as(Image.fromarray(p).convert("RGBA"), "PNG", icc_profile=icc), "a.png"),
    "WebP": (lambda p, icc: _as(Image.fromarray(p), "WEBP", lossless=True, icc_profile=icc), "a.webp"),
    "BMP": (lambda p, icc: _as(Image.fromarray(p), "BMP"), "a.bmp"),
    "a name with odd characters": (lambda p, icc: _as(Image.fromarray(p), "PNG", icc_profile=icc),
                                   "Żółw & Co; “blå”, 50 % #1 (kopie) 写真 '🙂.png"),
    "a wrong ending": (lambda p, icc: _as(Image.fromarray(p), "PNG", icc_profile=icc), "a.jpg"),
}  # fmt: skip


@pytest.mark.parametrize("what", USUAL)
def test_other_forms_of_a_sound_picture(read_picture, on_bed, sound, what):
    """Depth, alpha, container and name change nothing."""
    assert set(sound) == set(on_bed.film)  # read, without a doubt
    write, name = USUAL[what]
    _as_usual(read_picture(write(on_bed.pixels, on_bed.profile), name, on_bed.rows), sound)


#: How a picture is stored for each EXIF orientation (CIPA DC-008, tag 274): the upright one, turned or mirrored.
STORED = {
    1: lambda p: p,
    2: lambda p: p[:, ::-1],
    3: lambda p: p[::-1, ::-1],
    4: lambda p: p[::-1],
    5: lambda p: p.swapaxes(0, 1),
    6: lambda p: np.rot90(p, 1),
    7: lambda p: p[::-1, ::-1].swapaxes(0, 1),
    8: lambda p: np.rot90(p, -1),
}


@pytest.mark.parametrize("orientation", STORED)
def test_every_exif_orientation(read_picture, on_bed, sound, orientation):
    """Boxes are in pixels of the upright picture, so a wrong turn would find nothing."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    stored = Image.fromarray(np.ascontiguousarray(STORED[orientation](on_bed.pixels)))
    data = _as(stored, "JPEG", quality=97, subsampling=0, exif=exif, icc_profile=on_bed.profile)
    _as_usual(read_picture(data, "a.jpg", on_bed.rows), sound)


@pytest.mark.parametrize("turn", [2, 1], ids=["upside down", "a quarter turned"])
def test_a_mat_pictured_from_another_side(read_picture, on_mat, sound_on_mat, turn):
    """The mat's markers tell which way it lies."""
    assert set(sound_on_mat) == set(on_mat.film)
    turned = np.ascontiguousarray(np.rot90(on_mat.pixels, turn))
    _as_usual(read_picture(_png(turned, on_mat), "a.png", on_mat.rows), sound_on_mat)


@pytest.mark.parametrize("across_down", [(1.08, 1.0), (1.0, 1.08)], ids=["wider", "higher"])
def test_a_picture_stretched_by_8_per_cent(read_picture, on_bed, sound, across_down):
    """As a scanner's carriage or a wrong resize does."""
    pixels, rows = _resized(on_bed.pixels, on_bed, *across_down)
    _as_usual(read_picture(_png(pixels, on_bed), "a.png", rows), sound)


def test_a_stretched_mat(read_picture, on_mat, sound_on_mat):
    """The mat is straightened whatever its proportions."""
    height, width = on_mat.pixels.shape[:2]
    wider = cv2.resize(on_mat.pixels, (round(1.08 * width), height), interpolation=cv2.INTER_AREA)
    _as_usual(read_picture(_png(wider, on_mat), "a.png", on_mat.rows), sound_on_mat)
