"""For all tests: the mat as printer and camera would show it, a method from outside, one Chromium for each worker."""

from __future__ import annotations

import os
import shutil
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest

from fairpanel.mat.drawing import draw
from fairpanel.mat.layout import layout
from fairpanel.methods import all_methods
from fairpanel.picture.colour import SRGB, linear_to_srgb, srgb_to_linear, transfer
from fairpanel.picture.upright import Upright

#: The viewer sets edges to whole pixels: at this resolution within 0.02 mm of the truth. [px/inch]
DPI = 600


_LIGHT = np.linspace(0, 1, 20_001)
_CODES = 255 * linear_to_srgb(_LIGHT)


@cache
def printed(page: str, code: str = "") -> np.ndarray:
    """(height, width, 3) codes of the page at half of `DPI`."""
    pdf = draw(layout(page), code=code)
    fine = np.asarray(pypdfium2.PdfDocument(pdf)[0].render(scale=DPI / 72, grayscale=True).to_numpy())
    return np.repeat(_reduced(fine, 2)[..., None], 3, axis=2)


def _reduced(picture: np.ndarray, factor: int) -> np.ndarray:
    height, width = picture.shape[0] // factor, picture.shape[1] // factor
    whole = picture[: factor * height, : factor * width]
    return cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)


@cache
def _sheet(page: str, code: str, factor: int) -> np.ndarray:
    """(height, width) linear light of the printed page, reduced by areas; white paper gives back 0.85."""
    light = srgb_to_linear(np.arange(256) / 255).astype(np.float32)[printed(page, code)[..., 0]]
    return _reduced(light * 0.85, factor)


@dataclass
class Photo:
    """A made picture of the mat and the true way from millimetres to its pixels."""

    upright: Upright
    matrix: np.ndarray
    radial: float

    def to_pixels(self, mm: np.ndarray) -> np.ndarray:
        p = mm @ self.matrix[:, :2].T + self.matrix[:, 2]
        p = p[:, :2] / p[:, 2:]
        middle = (np.array([self.upright.width, self.upright.height]) - 1) / 2
        offset = p - middle
        square = (offset**2).sum(1, keepdims=True) / (middle**2).sum()
        return middle + offset * (1 + self.radial * square)


def as_upright(pixels: np.ndarray, name: str = "photo") -> Upright:
    """Pixels as a decoded sRGB picture."""
    return Upright(name, "", pixels, transfer(SRGB, int(np.iinfo(pixels.dtype).max) + 1), {})


def pose(page, size, *, tilt=(0.0, 0.0), turn=0.0, fill=0.8, printed_at=1.0):
    """(3, 3) millimetres to pixels of a pinhole camera over the middle of the mat; angles in radians."""
    width, height = size
    mat = layout(page)
    (a, b), focal = tilt, 1.2 * max(size)
    about_z = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    about_x = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    rotation = about_z @ about_x @ about_y
    away = focal * mat.height / (fill * height)
    camera = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1]])
    plane = np.column_stack([rotation[:, :2], -rotation[:, :2] @ [mat.width / 2, mat.height / 2] + [0, 0, away]])
    return camera @ plane @ np.diag([printed_at, printed_at, 1.0])


def photograph(page="A4", size=(900, 1200), *, radial=0.0, blur_px=0.8, noise=1.5, uneven=0.0, seed=1, code="", **how):
    """A made photo of the mat on a dark table; `how` as in `pose`."""
    matrix = pose(page, size, **how)
    width, height = size
    back = np.linalg.inv(matrix)
    shrink = DPI / 2 / 25.4 * np.sqrt(np.abs(np.linalg.det(back[:2, :2])) / back[2, 2] ** 2)
    factor = max(1, int(shrink))
    sheet = cv2.GaussianBlur(_sheet(page, code, factor), (0, 0), 0.3 * shrink / factor)
    x, y = _sheet_places(matrix, size, radial, DPI / 2 / 25.4 / factor)
    light = cv2.remap(sheet, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.05)
    across = np.linspace(0, 1, width)[None, :] + 0.4 * np.linspace(0, 1, height)[:, None]
    light = cv2.GaussianBlur(light, (0, 0), blur_px) * (1 - uneven * across / 1.4)
    fine = np.random.default_rng(seed).standard_normal(light.shape, dtype=np.float32) * noise
    codes = np.interp(light, _LIGHT, _CODES) + fine
    grey = np.rint(codes).clip(0, 255).astype(np.uint8)
    return Photo(as_upright(np.repeat(grey[..., None], 3, axis=2)), matrix, radial)


def _sheet_places(matrix, size, radial, scale):
    """Pixel of the printed page for each pixel of the photo."""
    width, height = size
    middle = (np.array(size) - 1) / 2
    half = np.hypot(*middle)
    x, y = np.meshgrid(np.arange(width) - middle[0], np.arange(height) - middle[1])
    far = np.hypot(x, y) / half
    near = far.copy()
    for _ in range(8 if radial else 0):
        near -= (near + radial * near**3 - far) / (1 + 3 * radial * near**2)
    straight = 1 / (1 + radial * near**2)
    back = np.linalg.inv(matrix)
    p = np.stack([x * straight + middle[0], y * straight + middle[1], np.ones_like(x)], -1) @ back.T
    places = p[..., :2] / p[..., 2:] * scale - 0.5
    return places[..., 0].astype(np.float32), places[..., 1].astype(np.float32)


@pytest.fixture(scope="session")
def real():
    """Folder of open pictures kept beside the project, or in FAIRPANEL_REAL; its tests skip without it."""
    beside = Path(__file__).parents[2].parent / "shared" / "real"
    folder = Path(os.environ.get("FAIRPANEL_REAL", beside))
    if not folder.is_dir():
        pytest.skip("the open pictures are not here; set FAIRPANEL_REAL to their folder")
    return folder


@pytest.fixture
def photo():
    """The maker of photos."""
    return photograph


@pytest.fixture
def upright():
    """The maker of decoded pictures from pixels."""
    return as_upright


@pytest.fixture
def page_at_300_dpi():
    """The maker of rendered pages."""
    return printed


# ---- Chromium -------------------------------------------------------------------------------------------------

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium, one for each worker: a second engine beside the first is refused by the library."""
    path = shutil.which("chromium")
    if path is None:
        pytest.skip("Chromium is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as engines:
        opened = engines.chromium.launch(executable_path=path, args=list(FLAGS))
        yield opened
        opened.close()


# ---- a method from outside -------------------------------------------------------------------------------------

#: What its author wrote, and a table of what was rated by it.
OUTSIDE = Path(__file__).parent / "outside"


@pytest.fixture
def etching(tmp_path, monkeypatch):
    """Somebody else's method, installed beside ours by its entry point; gives the text of a table for it."""
    site = tmp_path / "site"
    about = site / "etching-1.0.dist-info"
    about.mkdir(parents=True)
    shutil.copy(OUTSIDE / "their_etching.py", site)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: etching\nVersion: 1.0\n", encoding="utf-8")
    (about / "entry_points.txt").write_text("[fairpanel.methods]\netching = their_etching:METHOD\n", encoding="utf-8")
    monkeypatch.syspath_prepend(str(site))
    all_methods.cache_clear()
    yield (OUTSIDE / "etching.csv").read_text(encoding="utf-8")
    all_methods.cache_clear()
    sys.modules.pop("their_etching", None)
