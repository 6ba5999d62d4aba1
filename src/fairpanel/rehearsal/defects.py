"""What goes wrong on single strips: pencil, stains, bubbles, scratches, curl."""

from __future__ import annotations

import cv2
import numpy as np

#: Defects that can be asked for by name.
DEFECTS = ("stain", "bubbles", "scratch", "curl")


def bubbles(rng: np.random.Generator, shape: tuple[int, int], *, px_per_mm: float) -> np.ndarray:
    """Share of the image left where air bubbles kept the rinse from the paper; 1 elsewhere."""
    left = np.ones(shape, dtype=np.float32)
    for _ in range(rng.integers(2, 9)):
        centre = (int(rng.integers(0, shape[1])), int(rng.integers(0, shape[0])))
        radius = int(rng.uniform(0.5, 2.2) * px_per_mm)
        cv2.circle(left, centre, radius, float(rng.uniform(0.55, 0.9)), -1, cv2.LINE_AA)
    return cv2.GaussianBlur(left, (0, 0), 0.2 * px_per_mm)


def stain(rng: np.random.Generator, shape: tuple[int, int], *, px_per_mm: float) -> np.ndarray:
    """(rows, columns, 3) factor on the light given back by a yellow or brown stain with a darker rim."""
    rows, columns = np.mgrid[: shape[0], : shape[1]] / px_per_mm
    centre = rng.uniform(0.1, 0.9, 2) * np.array(shape) / px_per_mm
    radius = rng.uniform(3, 11)
    angle = np.arctan2(rows - centre[0], columns - centre[1])
    edge = radius * (1 + 0.2 * np.sin(3 * angle + rng.uniform(0, 6)) + 0.1 * np.sin(5 * angle + rng.uniform(0, 6)))
    inside = edge - np.hypot(rows - centre[0], columns - centre[1])
    body = 1 / (1 + np.exp(-inside / 0.4))
    rim = np.exp(-((inside - 0.5) ** 2) / 0.5)
    density = rng.uniform(0.03, 0.12) * (body + 0.7 * rim)
    return 10.0 ** -(density[..., None] * np.array([0.5, 1.0, 2.2]) * rng.uniform(0.8, 1.2, 3)).astype(np.float32)


def scratches(rng: np.random.Generator, shape: tuple[int, int], *, px_per_mm: float) -> np.ndarray:
    """Share of the image left by thin scratches; 1 elsewhere."""
    left = np.ones(shape, dtype=np.float32)
    for _ in range(rng.integers(1, 4)):
        x, y = rng.integers(0, shape[1], 2).tolist(), rng.integers(0, shape[0], 2).tolist()
        ends = (x[0], y[0]), (x[1], y[1])
        cv2.line(left, ends[0], ends[1], float(rng.uniform(0.1, 0.5)), max(1, round(0.3 * px_per_mm)), cv2.LINE_AA)
    return left


def curl(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Factor on the light that falls on a strip whose ends or sides rise from the page."""
    lengthwise = rng.random() < 0.7
    n = shape[0] if lengthwise else shape[1]
    slope = np.linspace(-1, 1, n)
    rise = rng.uniform(0.03, 0.12) * (slope**3 + rng.uniform(-0.5, 0.5) * slope**2)
    return np.broadcast_to((1 + rise)[:, None] if lengthwise else (1 + rise)[None, :], shape).astype(np.float32)


def pencil(
    rng: np.random.Generator, shape: tuple[int, int], *, text: str, px_per_mm: float, margin_mm: float
) -> np.ndarray:
    """Share of the light left by the tester's mark, written small in a corner along a long edge."""
    left = np.ones(shape, dtype=np.float32)
    height = min(max(margin_mm, 1.6), 2.6) * px_per_mm
    dark = int(rng.uniform(90, 150))
    written = np.full((round(height) + 2, max(round(0.75 * height * len(text)), 8)), 255, dtype=np.uint8)
    at = (1, written.shape[0] - 2)
    cv2.putText(written, text, at, cv2.FONT_HERSHEY_SIMPLEX, 0.045 * height, dark, 1, cv2.LINE_AA)
    mark = np.rot90(written, int(rng.choice([1, 3]))) / np.float32(255)
    rows, columns = min(mark.shape[0], shape[0]), min(mark.shape[1], shape[1])
    top = 0 if rng.random() < 0.5 else shape[0] - rows
    start = 0 if rng.random() < 0.5 else shape[1] - columns
    left[top : top + rows, start : start + columns] = mark[:rows, :columns]
    return left
