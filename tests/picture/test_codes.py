"""Codes are made small enough to print and read back where a reader can."""

import cv2
import numpy as np
import pytest

from fairpanel.files.pictures import decode
from fairpanel.mat.code import modules
from fairpanel.picture.codes import read_code, read_codes
from fairpanel.picture.finding_mat import find_mat


@pytest.mark.parametrize("text", ["FP-A7-0031", "A", "12345678901234", "plate 7/3"])
def test_a_pattern_reads_back(text):
    """Short texts make 21 x 21 modules (version 1 of ISO/IEC 18004) and come back from a picture of them."""
    pattern = modules(text)
    assert pattern.shape == (21, 21)
    assert pattern[0, :7].all() and not pattern[7, :8].any()  # finder pattern and its separator
    picture = np.where(np.pad(pattern, 4), 30, 220).astype(np.uint8)
    large = cv2.resize(picture, None, fx=6, fy=6, interpolation=cv2.INTER_NEAREST)
    assert read_codes(large) == [text]
    assert read_codes(np.repeat(large[..., None], 3, axis=2)) == [text]
    assert read_codes(large.astype(np.uint16) * 257) == [text]


@pytest.mark.parametrize(("turn", "tilt"), [(0.0, (0.2, 0.1)), (0.6, (0.0, 0.0)), (np.pi, (0.1, 0.0))])
def test_a_code_on_the_mat(photo, turn, tilt):
    """Read at any turn, from its part of the picture alone; an empty frame gives nothing."""
    made = photo("A4", size=(1200, 1600), turn=turn, tilt=tilt, code="FP-B2-0007", fill=0.75)
    assert read_code(find_mat(made.upright), made.upright) == "FP-B2-0007"
    plain = photo("A4", turn=turn, tilt=tilt, fill=0.75)
    assert read_code(find_mat(plain.upright), plain.upright) is None


def test_a_frame_outside_the_picture(photo, upright):
    """The foot of the mat is cut off: no code, and no error."""
    made = photo("A4", code="FP-B2-0007")
    cut = int(made.to_pixels(np.array([[100.0, 208.0]]))[0, 1])
    part = upright(np.ascontiguousarray(made.upright.pixels[:cut]))
    assert read_code(find_mat(part), part) is None


def test_no_code_no_text():
    """White paper and noise give nothing."""
    noise = np.random.default_rng(2).integers(0, 255, (400, 400)).astype(np.uint8)
    assert read_codes(noise) == []
    assert read_codes(np.full((400, 400, 3), 255, np.uint8)) == []


def test_open_camera_pictures_of_codes(real):
    """Codes with shadow, curl and blur: never a wrong text, and most of those a phone would read.

    The texts lie beside the pictures; `qr/qrcode-4` and `qrcode-5` come from an open test set (its licence
    beside).
    """
    right, wrong, missed = 0, [], []
    for path in sorted((real / "qr").rglob("*.png")):
        text = path.with_suffix(".txt").read_text("utf-8").strip()
        found = [t.strip() for t in read_codes(decode(path.read_bytes(), path.name).pixels)]
        right += text in found
        wrong += [path.name for t in found if t != text]
        missed += [path.name] if text not in found else []
    assert not wrong
    assert right >= 0.6 * (right + len(missed)), missed
