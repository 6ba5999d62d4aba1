"""The picture for a video: its size, one scale and untouched tones for all strips, words that fit."""

from __future__ import annotations

import numpy as np
import pytest

from fairpanel.publication.still import (
    HEIGHT,
    MOST,
    WIDTH,
    CannotDraw,
    StillStrip,
    magnification,
    not_drawable,
    still,
    wrapped,
)

SMALL = ["Lamp L2. From one paper sheet.", "Says nothing about skin or sunscreen. " * 3]


def strip(codes: tuple[int, int, int], *, wide: int = 320, name: str = "Paste wax A") -> StillStrip:
    pixels = np.full((108, wide, 3), codes, np.uint8)
    return StillStrip(name, "14.5 %", "12.1 to 17.0", "Shown, 3 plates", "product, glass only; 90 s each", pixels)


def places(picture: np.ndarray, codes: tuple[int, int, int]) -> tuple[int, int]:
    """Width and height of what has exactly these codes. [px]"""
    rows, columns = np.nonzero((picture == codes).all(axis=2))
    return int(columns.max() - columns.min() + 1), int(rows.max() - rows.min() + 1)


def test_it_is_1920_by_1080_and_the_same_again():
    """Whatever stands in it; the same bytes for the same strips."""
    for count in range(1, MOST + 1):
        first, second = (still([strip((20, 90, 140))] * count, title="Test", small=SMALL) for _ in range(2))
        assert first.shape == (HEIGHT, WIDTH, 3) and first.dtype == np.uint8 and np.array_equal(first, second)


@pytest.mark.parametrize("longer", [420, 1600])
def test_one_scale_for_all_and_tones_untouched(longer):
    """Strips keep their codes to the digit, and their lengths stand to each other as they do on paper."""
    dark, light = (11, 70, 131), (120, 180, 199)
    picture = still([strip(dark, wide=longer // 2), strip(light, wide=longer)], title="", small=SMALL)
    (short, low), (long, high) = places(picture, dark), places(picture, light)
    assert abs(low - high) <= 1 and abs(2 * short - long) <= 2


def test_short_strips_are_drawn_larger_with_their_words_beside_them():
    """Long ones have their words under them."""
    assert magnification([strip((0, 0, 0), wide=300)], tall=240)[1]
    assert not magnification([strip((0, 0, 0), wide=2000)], tall=240)[1]


def test_large_letters_can_be_read_on_a_phone():
    """The number's digits are at least 16 px high where the picture is 390 px wide."""
    one = strip((255, 255, 255))
    quiet = StillStrip("", one.number, "", "", "", one.pixels)
    picture = still([quiet] * 3, title="", small=["x"])
    ink = np.nonzero((picture[100:380, 1150:] < 100).all(axis=2))[0]
    assert (ink.max() - ink.min() + 1) * 390 / WIDTH >= 10  # capital height; the line is half as high again


def test_a_long_name_stays_inside():
    """Set smaller, then cut with dots: nothing runs over the edge."""
    long = strip((11, 70, 131), name="Ceramic hybrid graphene-free wash-on spray sealant, second bottle " * 3)
    picture = still([long], title="A title that is far too long for one line of it " * 4, small=SMALL)
    assert (picture[:, -50:] == picture[0, 0]).all()


def test_lines_are_no_longer_than_their_room():
    """No word is lost."""
    text = "Weighted as this paper sees the named lamp, not as sunlight, an eye or a UV meter would weigh it."
    lines = wrapped(text, size=33, room=600)
    assert len(lines) > 2 and " ".join(lines) == text


@pytest.mark.parametrize("count", [0, MOST + 1])
def test_none_or_too_many_are_refused(count):
    """With the reason."""
    with pytest.raises(CannotDraw, match="one to 4"):
        still([strip((0, 0, 0))] * count, title="", small=[])


def test_letters_it_lacks_are_told():
    """Umlauts, the minus sign and the unit of light are there; other scripts are not."""
    assert not_drawable("Größe −0.5 % µW/cm² “x” – é ł") == ""
    assert not_drawable("воск 蜡") == "воск蜡"
