"""`fairpanel mat`: the printed page and its geometry as data agree, to a tenth of a millimetre."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pypdfium2
import pytest

DPI = 200
PAPERS = {"A4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1, 8.5 x 11 inches


def _rendered(path, width_mm):
    """(height, width) grey codes of the page and its pixels per millimetre."""
    page = np.asarray(pypdfium2.PdfDocument(path)[0].render(scale=DPI / 72, grayscale=True).to_numpy()).squeeze()
    return np.ascontiguousarray(page), page.shape[1] / width_mm


def _written(fairpanel, folder, paper):
    done = fairpanel("mat", folder / "mat.pdf", "--layout", folder / "mat.json", "--paper", paper)
    assert (done.code, done.err) == (0, "") and "mat.pdf" in done.out and "mat.json" in done.out
    return json.loads((folder / "mat.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("paper", PAPERS)
def test_markers_lie_where_the_layout_says(fairpanel, tmp_path, paper):
    """OpenCV's own detector finds every marker on the rendered page, its corners within 0.1 mm of the data's."""
    said = _written(fairpanel, tmp_path, paper)
    assert (said["page"]["width"], said["page"]["height"]) == PAPERS[paper]
    page, scale = _rendered(tmp_path / "mat.pdf", said["page"]["width"])
    assert abs(page.shape[0] / scale - said["page"]["height"]) < 0.2
    family = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, said["marker_family"]))
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    corners, numbers, _ = cv2.aruco.ArucoDetector(family, settings).detectMarkers(page)
    found = {int(n): (c.reshape(4, 2) + 0.5) / scale for n, c in zip(numbers.ravel(), corners, strict=True)}
    assert sorted(found) == sorted(m["number"] for m in said["markers"])
    for marker in said["markers"]:
        assert np.abs(found[marker["number"]] - np.array(marker["corners"])).max() < 0.1


@pytest.mark.parametrize("paper", PAPERS)
def test_the_pinned_form_of_the_layout(fairpanel, tmp_path, paper):
    """Cells and greys as the issue has them: sizes, numbers, keys; everything apart and on the page."""
    said = _written(fairpanel, tmp_path, paper)
    strips = [c for c in said["cells"] if c["kind"] == "strip"]
    (steps,) = [c for c in said["cells"] if c["kind"] == "steps"]
    assert len(strips) >= 12 and {(c["width"], c["height"]) for c in strips} == {(26.0, 64.0)}
    assert (steps["width"], steps["height"]) == (170.0, 26.0)
    assert all(set(c) == {"name", "kind", "x", "y", "width", "height"} for c in said["cells"])
    assert all(set(g) == {"x", "y", "width", "height", "level"} for g in said["greys"])
    for level in {g["level"] for g in said["greys"]}:
        places = [(g["x"], g["y"]) for g in said["greys"] if g["level"] == level]
        assert len(places) >= 2 and np.ptp(np.array(places), axis=0).max() > 100  # apart from each other [mm]
    boxes = [*said["cells"], *said["greys"]]
    for i, a in enumerate(boxes):
        assert a["x"] > 0 and a["x"] + a["width"] < said["page"]["width"]
        assert a["y"] > 0 and a["y"] + a["height"] < said["page"]["height"]
        for b in boxes[:i]:
            apart = a["x"] >= b["x"] + b["width"] or b["x"] >= a["x"] + a["width"]
            assert apart or a["y"] >= b["y"] + b["height"] or b["y"] >= a["y"] + a["height"]


def test_greys_are_as_dark_as_the_layout_says(fairpanel, tmp_path):
    """The middle of each patch, decoded by the sRGB curve (IEC 61966-2-1), gives its level within two codes."""
    said = _written(fairpanel, tmp_path, "A4")
    page, scale = _rendered(tmp_path / "mat.pdf", said["page"]["width"])
    for g in said["greys"]:
        x, y = (g["x"] + g["width"] / 2) * scale, (g["y"] + g["height"] / 2) * scale
        code = page[int(y) - 8 : int(y) + 8, int(x) - 8 : int(x) + 8].astype(float)
        expected = 255 * (1.055 * g["level"] ** (1 / 2.4) - 0.055)
        assert np.abs(code - expected).max() <= 2


def test_a_code_is_printed_into_its_frame(fairpanel, tmp_path):
    """The page with a code differs from the one without in the frame and in the line below that tells the text."""
    said = _written(fairpanel, tmp_path, "A4")
    assert fairpanel("mat", tmp_path / "coded.pdf", "--code", "bench 1").code == 0
    plain, scale = _rendered(tmp_path / "mat.pdf", said["page"]["width"])
    coded, _ = _rendered(tmp_path / "coded.pdf", said["page"]["width"])
    x, y = (np.argwhere(plain != coded)[:, ::-1] / scale).T
    frame = said["code"]
    assert len(x) > 200
    assert frame["x"] - 2 < x.min() and x.max() < frame["x"] + frame["width"] + 2
    assert frame["y"] - 2 < y.min() and y.max() < frame["y"] + frame["height"] + 5


def test_usage(fairpanel, tmp_path):
    """Nothing asked for, another paper, a folder that is not there: exit code 2 and no file."""
    assert fairpanel("mat").code == 2
    assert fairpanel("mat", tmp_path / "mat.pdf", "--paper", "A3").code == 2
    gone = fairpanel("mat", tmp_path / "gone" / "mat.pdf")
    assert gone.code == 2 and "gone" in gone.err
    assert not list(tmp_path.iterdir())
