"""Pattern of the mat's fiducial markers, for drawing them and for knowing them again."""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np

from fairpanel.mat.layout import MARKER_FAMILY

#: Modules of a marker's side, its black border included.
MODULES = 8


@cache
def pattern(number: int) -> np.ndarray:
    """(8, 8) array of a marker's modules, its black border included: 1 white, 0 black."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_FAMILY))
    return cv2.aruco.generateImageMarker(dictionary, number, MODULES, borderBits=1) / 255.0
