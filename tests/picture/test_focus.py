"""How sharp a picture is, told from squares whose blur is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fairpanel.picture.focus import edge_blur
from fairpanel.picture.upright import Transfer, Upright

SQUARE = np.array([[60.0, 60.0], [140.0, 60.0], [140.0, 140.0], [60.0, 140.0]])


def square(sigma: float, *, bits: int = 8, step: float = 0.6) -> Upright:
    """A dark square on white, its codes the light itself; the edges by the integral of the Gaussian."""
    edge = np.array([0.5 * (math.erf((x - 60) / (sigma * 2**0.5)) - math.erf((x - 140) / (sigma * 2**0.5)))
                     for x in range(200)])  # fmt: skip
    top = 2**bits - 1
    codes = np.rint((0.9 - step * edge[:, None] * edge) * top).astype(np.uint8 if bits == 8 else np.uint16)
    table = np.repeat(np.arange(top + 1, dtype=np.float32)[:, None] / top, 3, axis=1)
    pixels = np.ascontiguousarray(np.repeat(codes[..., None], 3, axis=2))
    return Upright("made.png", "", pixels, Transfer(table, np.eye(3), "light itself"))


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("sigma", [1.5, 3.0, 5.0])
def test_a_gaussian_blur_is_told_from_the_edges(sigma, bits):
    """Within a twelfth: the steepest slope of a Gaussian edge of height A is A / (sigma sqrt(2 pi)), by calculus;
    reading between pixels blurs a little more."""
    assert edge_blur(square(sigma, bits=bits), SQUARE) == pytest.approx(sigma, rel=1 / 12)


def test_no_edge_no_blur():
    """A step below the least tells nothing."""
    assert edge_blur(square(2.0, step=0.02), SQUARE) is None


def test_sides_whose_lines_leave_the_picture_are_passed_over():
    """Cut close to one side, the others still tell; with all sides close, none does."""
    made = square(2.0)
    cut = Upright("cut.png", "", np.ascontiguousarray(made.pixels[:, 50:]), made.transfer)
    assert edge_blur(cut, SQUARE - [50, 0]) == pytest.approx(2.0, rel=1 / 12)
    close = Upright("close.png", "", np.ascontiguousarray(made.pixels[50:150, 50:150]), made.transfer)
    assert edge_blur(close, SQUARE - 50) is None
