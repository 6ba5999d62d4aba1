"""Pictures as the bench page looks at them: decoded once, what lies in them found once, and made ready to be shown."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np

from fairpanel.files.pictures import clean_png, decode
from fairpanel.methods import all_methods
from fairpanel.methods.contract import Found, Method
from fairpanel.picture.upright import Upright
from fairpanel.storage.bench import Bench
from fairpanel.storage.records import StoredPicture

#: Longer side of a picture as it is shown. [px]
SHOWN_PX = 1800
#: Decoded pictures kept in memory, and small things known of pictures.
_DECODED, _KNOWN = 2, 200

T = TypeVar("T")


class _Kept:
    """The last few of what was made, by key; each is made once even if two ask at the same time."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._turn = threading.Lock()
        self._found: OrderedDict[Any, Any] = OrderedDict()

    def get(self, key: Any, make: Callable[[], T]) -> T:
        with self._turn:
            if key not in self._found:
                self._found[key] = make()
            self._found.move_to_end(key)
            while len(self._found) > self._most:
                self._found.popitem(last=False)
            found: T = self._found[key]
            return found


_decoded = _Kept(_DECODED)
_looked = _Kept(_KNOWN)
_shown = _Kept(4)


@dataclass(frozen=True)
class Looked:
    """What lies in a picture, and its size as it is looked at. [px]"""

    found: tuple[Found, ...]
    width: int
    height: int


def method_by_picture() -> Method:
    """The method whose specimens are named on their picture."""
    return next(m for m in all_methods().values() if m.by_picture is not None)


def upright(folder: Path, picture: StoredPicture) -> Upright:
    """A picture of the bench, decoded.

    Raises
    ------
    PictureError, OriginalMissing, OriginalDamaged
    """

    def make() -> Upright:
        with Bench.open(folder) as bench:
            data = bench.original_bytes(picture.id)
        return decode(data, picture.name)

    return _decoded.get(picture.sha256, make)


def looked(folder: Path, picture: StoredPicture, method: Method) -> Looked:
    """What lies in a picture of the bench.

    Raises
    ------
    PictureError, BenchError
    """
    assert method.by_picture is not None
    look = method.by_picture.look

    def make() -> Looked:
        seen = upright(folder, picture)
        return Looked(tuple(look(seen)), seen.width, seen.height)

    return _looked.get((picture.sha256, method.name, method.version), make)


def shown(folder: Path, picture_id: str) -> bytes:
    """A picture to look at, as PNG without any metadata: upright, 8 bits, no larger than a screen.

    Raises
    ------
    NotOnBench, PictureError, OriginalMissing, OriginalDamaged
    """
    with Bench.open(folder) as bench:
        picture = bench.picture(picture_id)
    return _shown.get(picture.sha256, lambda: clean_png(_small(upright(folder, picture).pixels)))


def _small(pixels: np.ndarray) -> np.ndarray:
    codes = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    scale = SHOWN_PX / max(codes.shape[:2])
    if scale >= 1:
        return codes
    size = (round(codes.shape[1] * scale), round(codes.shape[0] * scale))
    return np.asarray(cv2.resize(codes, size, interpolation=cv2.INTER_AREA))
