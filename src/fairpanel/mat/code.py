"""The code on a mat or label: its pattern for drawing, and reading it back from a picture.

QR codes of ISO/IEC 18004, error correction level M, made and read by zxing-cpp.
"""

from __future__ import annotations

import numpy as np
import zxingcpp


def modules(text: str) -> np.ndarray:
    """Pattern of a code, without its quiet zone.

    Parameters
    ----------
    text : str
        Short: 14 characters and fewer make the 21 x 21 modules that a box of 14 mm prints large enough to
        read.

    Returns
    -------
    (n, n) bool array
        True where a module is dark.
    """
    # The level must be given by this keyword; other spellings are ignored and give level Q.
    barcode = zxingcpp.create_barcode(text, zxingcpp.BarcodeFormat.QRCode, ec_level="M")
    return np.asarray(barcode.to_image(scale=1, add_quiet_zones=False)) == 0


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
        formats=zxingcpp.BarcodeFormat.QRCode,
        try_rotate=False,  # QR codes are found at any angle anyway
        try_downscale=False,
        try_invert=False,
    )
    return [barcode.text for barcode in found if barcode.valid]
