"""A first look at one picture: no bench, no table, nothing stored."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2

from fairpanel.files.picture_headers import PictureError
from fairpanel.files.pictures import clean_png, decode
from fairpanel.jobs.take_in import MOST_BYTES
from fairpanel.methods.uv_strip.quick_look import Look, PatchSeen, look
from fairpanel.picture.drawing_found import Drawn, drawn_over


def look_at(
    path: Path, seconds: Sequence[float], exposed_seconds: float | None = None, save: Path | None = None
) -> Look:
    """Look at the strips of one picture.

    Parameters
    ----------
    path : path
        The picture.
    seconds : sequence of float
        Exposures of the steps along the step strip. [s]
    exposed_seconds : float, optional
        Exposure of the other strips. [s]
    save : path, optional
        Where a copy of the picture with all that was found is written, as PNG.

    Raises
    ------
    PictureError
        The picture cannot be read, or the copy cannot be written.
    """
    cv2.setNumThreads(1)
    picture = decode(_bytes_of(path), path.name)
    seen = look(picture, seconds, exposed_seconds)
    if save is not None:
        _write(save, clean_png(drawn_over(picture, _to_draw(seen))))
    return seen


def _bytes_of(path: Path) -> bytes:
    if path.is_dir():
        raise PictureError(path.name, "is a folder, not a picture", "Name the picture itself.")
    try:
        if path.stat().st_size > MOST_BYTES:
            raise PictureError(path.name, "is larger than 400 MB", "Save it as JPEG, or scan at 300 dpi.")
        return path.read_bytes()
    except FileNotFoundError:
        raise PictureError(path.name, "is not there", f"Check the name: {path}") from None
    except OSError as problem:
        raise PictureError(path.name, f"cannot be read ({problem.strerror})", "Check the file's permissions.") from None


def _write(path: Path, data: bytes) -> None:
    try:
        path.write_bytes(data)
    except OSError as problem:
        raise PictureError(
            path.name, f"cannot be written ({problem.strerror})", "Name another place after --save."
        ) from None


def _to_draw(seen: Look) -> list[Drawn]:
    """What is drawn of each strip: its outline, its measured patches, its name and what it is."""
    steps = seen.steps.name if seen.steps else None
    return [
        Drawn(
            one.name,
            one.strip.outline,
            seen.outlines.get(one.name),
            kind="cut" if not one.whole else "steps" if one.name == steps else "strip",
        )
        for one in seen.strips
    ]


def as_json(seen: Look) -> dict[str, Any]:
    """A look as plain data; times in seconds, blocked in %, an open side is null."""
    steps = seen.steps
    return {
        "picture": seen.picture,
        "found": [
            {
                "strip": one.name,
                "patches": one.strip.patches,
                "cut_by_the_frame": not one.whole,
                "outline": one.strip.outline.round(1).tolist(),
            }
            for one in seen.strips
        ],
        "steps": None
        if steps is None
        else {
            "strip": steps.name,
            "seconds": list(steps.seconds),
            "densities": [round(d, 4) for d in steps.densities],
            "told_apart": steps.shown,
            "flags": list(steps.flags),
        },
        "halfway_seconds": seen.advice.halfway_seconds if seen.advice else None,
        "useful_seconds": seen.advice.useful_seconds if seen.advice else None,
        "exposed_seconds": seen.advice.exposed_seconds if seen.advice else None,
        "exposure": seen.advice.verdict if seen.advice else None,
        "strips": [_patch(p) for p in seen.patches],
        "refused": [{"strip": r.strip, "reason": r.reason, "what_to_do": r.what_to_do} for r in seen.refused],
        "remarks": list(seen.remarks),
        "problem": None if seen.problem is None else {"reason": seen.problem[0], "what_to_do": seen.problem[1]},
    }


def _patch(p: PatchSeen) -> dict[str, Any]:
    return {
        "strip": p.strip,
        "patch": p.patch,
        "density": p.density,
        "equivalent_seconds": p.seconds,
        "equivalent_low": p.seconds_low,
        "equivalent_high": p.seconds_high,
        "blocked": p.blocked,
        "low": p.blocked_low,
        "high": p.blocked_high,
        "detection_limit": p.detection,
        "flags": list(p.flags),
    }
