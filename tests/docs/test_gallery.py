"""The gallery: what it shows is there, small, and holds pixels and nothing else."""

from __future__ import annotations

import re

import pytest
from the_pages import ROOT

PAGE = ROOT / "docs/gallery.md"
PICTURES = sorted((ROOT / "docs/gallery").glob("*"))


def test_every_picture_is_shown_once_and_is_there():
    """Neither a link that leads nowhere nor a file that nobody shows."""
    named = re.findall(r"!\[[^\]]+\]\(gallery/([^)]+)\)", PAGE.read_text(encoding="utf-8"))
    assert len(named) >= 10 and sorted(named) == [p.name for p in PICTURES]


def test_it_stays_small():
    """Under 1.5 MB in all."""
    assert sum(p.stat().st_size for p in PICTURES) < 1_500_000


@pytest.mark.parametrize("picture", PICTURES, ids=lambda p: p.stem)
def test_pictures_hold_pixels_and_nothing_else(picture):
    """Of a PNG's chunks only header, palette, pixels and end (PNG specification, third edition, 11.2)."""
    data, at, names = picture.read_bytes(), 8, set()
    while at < len(data):
        names.add(data[at + 4 : at + 8])
        at += 12 + int.from_bytes(data[at : at + 4], "big")
    assert data.startswith(b"\x89PNG") and names == {b"IHDR", b"PLTE", b"IDAT", b"IEND"}
