"""Reading the code on a mat or label back from a picture: QR codes of ISO/IEC 18004, read by zxing-cpp."""

from __future__ import annotations

import numpy as np
import zxingcpp

from fairpanel.picture.finding_mat import FoundMat
from fairpanel.picture.upright import Upright

#: How far around the frame a code is looked for: a label may be stuck on a little aside. [mm]
AROUND_MM = 8.0


def read_code(found: FoundMat, upright: Upright) -> str | None:
    """Text of the code in or near its frame on the mat.

    Only that part of the picture is looked at. None where there is no code, where it cannot be read, or where
    two codes say different things.

    Parameters
    ----------
    found : FoundMat
    upright : Upright
        The picture it was found in.
    """
    box, a = found.layout.code, AROUND_MM
    corners = box.corners + np.array([[-a, -a], [a, -a], [a, a], [-a, a]])
    pixels = found.to_pixels(corners)
    x0, y0 = np.floor(pixels.min(0)).astype(int).clip(0)
    x1, y1 = np.ceil(pixels.max(0)).astype(int) + 1
    crop = upright.pixels[y0 : max(y1, 0), x0 : max(x1, 0)]
    texts = set(read_codes(crop)) if min(crop.shape[:2]) > 20 else set()
    return texts.pop() if len(texts) == 1 else None


def read_codes(pixels: np.ndarray) -> list[str]:
    """Texts of the codes in a picture or a part of one.

    Parameters
    ----------
    pixels : (height, width, 3) or (height, width) uint8 or uint16 array
        Cut out around the code, or the whole picture.

    Returns
    -------
    list of str
        In the order found; empty where nothing could be read for certain (a code carries its own check).
    """
    eight = pixels if pixels.dtype == np.uint8 else (pixels >> 8).astype(np.uint8)
    found = zxingcpp.read_barcodes(
        np.ascontiguousarray(eight),
        formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode),
        try_rotate=False,  # QR codes are found at any angle anyway
        try_downscale=False,
        try_invert=False,
    )
    return [barcode.text for barcode in found if barcode.valid]
