"""Pattern of the code on a mat or label: QR of ISO/IEC 18004, error correction level M, made by zxing-cpp."""

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
