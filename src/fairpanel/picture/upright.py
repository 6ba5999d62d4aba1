"""A picture as the methods see it: upright, with the way from its codes to linear light.

Nothing here opens a file; `fairpanel.files.pictures` makes these from bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np


@dataclass(frozen=True)
class Transfer:
    """From the codes of a picture to linear light in a wide space (ITU-R BT.2020 primaries, D65).

    Parameters
    ----------
    table : (levels, 3) float32 array
        Linear light in the picture's own primaries for each code and channel. Full white is 1.
    matrix : (3, 3) array
        Own primaries to the wide space: `wide = own @ matrix.T`.
    name : str
        Colour profile, as found ("sRGB", "Display P3", "assumed sRGB").
    """

    table: np.ndarray
    matrix: np.ndarray
    name: str

    def linear(self, codes: np.ndarray) -> np.ndarray:
        """Linear wide-space light of codes.

        Parameters
        ----------
        codes : (..., 3) array of uint8 or uint16

        Returns
        -------
        (..., 3) float32 array
            Slightly negative values are legal (colours outside the wide space).
        """
        if not codes.size:
            return np.zeros(codes.shape, np.float32)
        if codes.dtype == np.uint8:  # a look-up and a product over rows of three are quickest by OpenCV
            own = cv2.LUT(np.ascontiguousarray(codes).reshape(-1, 1, 3), self.table[None])
        else:
            own = np.stack([self.table[codes[..., c], c] for c in range(3)], axis=-1).reshape(-1, 1, 3)
        return cv2.transform(own, self.matrix.astype(np.float32)).reshape(codes.shape)


@dataclass(frozen=True)
class Upright:
    """A decoded picture, turned the way it is looked at.

    Parameters
    ----------
    name : str
        As the tester named the file.
    sha256 : str
        Of the original bytes.
    pixels : (height, width, 3) array, uint8 or uint16
        Red, green, blue codes.
    transfer : Transfer
    facts : mapping
        Plain facts of decoding: "format", "bits", "lossy", "grey", "palette", "cmyk", "alpha" ("none", "opaque",
        "varying"), "software", "auto_mode" (an automatic mode is recorded), "taken_at".
    found : dict
        What was found in this picture (the mat, its light), kept so that it is found once. Never stored.
    """

    name: str
    sha256: str
    pixels: np.ndarray
    transfer: Transfer
    facts: dict = field(default_factory=dict)
    found: dict = field(default_factory=dict, repr=False, compare=False)

    @property
    def height(self) -> int:
        """[px]"""
        return self.pixels.shape[0]

    @property
    def width(self) -> int:
        """[px]"""
        return self.pixels.shape[1]

    def reduced(self, factor: int) -> np.ndarray:
        """Codes averaged over squares of `factor` pixels; what is left over at the right and below is dropped.

        Kept with the picture. Halving is many times quicker than any other reduction, so it is done first.
        """
        if factor <= 1:
            return self.pixels
        key = ("reduced", factor)
        if key not in self.found:
            by = 2 if factor % 2 == 0 else factor
            larger = self.reduced(factor // by)
            h, w = larger.shape[0] // by, larger.shape[1] // by
            # Halving rounds up when in doubt, by an eighth of a code in the mean; done on the negative every other
            # time, that does not add up.
            turned = by == 2 and ((factor & -factor).bit_length() - 1) % 2 == 0
            crop = larger[: h * by, : w * by]
            small = cv2.resize(cv2.bitwise_not(crop) if turned else crop, (w, h), interpolation=cv2.INTER_AREA)
            self.found[key] = cv2.bitwise_not(small) if turned else small
        return self.found[key]

    @property
    def top_code(self) -> int:
        """Highest code a pixel can have."""
        return int(np.iinfo(self.pixels.dtype).max)
