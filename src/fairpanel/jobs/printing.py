"""Writing the mat: as a page to print, or its geometry as data."""

from __future__ import annotations

import json
from pathlib import Path

from fairpanel.mat.layout import as_json, layout
from fairpanel.storage.errors import in_plain_words


def write_mat(out: Path, *, page: str = "A4", code: str = "") -> None:
    """Write the mat as a PDF, true to the millimetre.

    Parameters
    ----------
    out : path
        The folder must exist.
    page : {"A4", "letter"}
    code : str
        Text for the frame of the code; the frame stays empty without.

    Raises
    ------
    CannotWrite, DiskFull
    """
    from fairpanel.mat.drawing import draw

    _write(out, draw(layout(page), code=code))


def write_layout(out: Path, *, page: str = "A4") -> None:
    """Write the geometry of the mat as JSON: millimetres, origin top left, y down.

    Raises
    ------
    CannotWrite, DiskFull
    """
    _write(out, (json.dumps(as_json(layout(page)), indent=1, ensure_ascii=False) + "\n").encode())


def _write(out: Path, data: bytes) -> None:
    with in_plain_words(out.parent):
        out.write_bytes(data)
