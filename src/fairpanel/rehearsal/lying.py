"""How strips lie: in the cells of the mat, in rows on a scanner's bed, or loose on a table. Millimetres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from fairpanel.mat.layout import Cell
from fairpanel.rehearsal.strips import MadeStrip
from fairpanel.rehearsal.view import projected


@dataclass(frozen=True)
class Placed:
    """A strip lying on the plane: start left, start right, end right, end left; perhaps in a cell. [mm]"""

    strip: MadeStrip
    corners_mm: np.ndarray
    cell: str = ""

    def on_plane(self, points_mm: np.ndarray) -> np.ndarray:
        """Places on the plane of points in the strip's own millimetres."""
        own = self.strip.outline_mm.astype(np.float32)
        return projected(cv2.getPerspectiveTransform(own, self.corners_mm.astype(np.float32)), points_mm)


def placed(
    rng: np.random.Generator,
    strip: MadeStrip,
    *,
    centre_mm: tuple[float, float],
    turn_deg: float,
    askew_mm: float = 0.25,
    cell: str = "",
) -> Placed:
    """A strip turned about its centre; at 0 degrees its start is at the top, at -90 at the left.

    Parameters
    ----------
    askew_mm : float
        How far each corner is off a true rectangle, from cutting by hand. [mm]
    """
    half = np.array([strip.plan.width_mm, strip.plan.length_mm]) / 2
    own = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half + rng.uniform(-askew_mm, askew_mm, (4, 2))
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return Placed(strip, own @ np.array([[c, s], [-s, c]]) + centre_mm, cell)


def in_cell(rng, strip, cell: Cell, mat, scale: float, *, turned: bool) -> Placed:
    """A strip laid in a cell by hand: a little off its middle and a little crooked."""
    middle = np.array([mat.width, mat.height]) / 2
    centre = middle + scale * (np.array([cell.x + cell.width / 2, cell.y + cell.height / 2]) - middle)
    lying = cell.width > cell.height
    across, along = (cell.height, cell.width) if lying else (cell.width, cell.height)
    spare = np.array([across * scale - strip.plan.width_mm, along * scale - strip.plan.length_mm])
    room = np.maximum(spare / 2 - 0.5, 0)
    crooked = np.degrees(min(0.35 * room[0] / (strip.plan.length_mm / 2), 0.025))
    shift = 0.5 * room * rng.uniform(-1, 1, 2)
    at = centre + (shift[::-1] if lying else shift)
    turn = (-90.0 if lying else 0.0) + (180.0 if turned else 0.0) + rng.uniform(-crooked, crooked)
    return placed(rng, strip, centre_mm=tuple(at), turn_deg=turn, cell=cell.name)


@dataclass(frozen=True)
class LooseLie:
    """How loose strips lie.

    Parameters
    ----------
    ground : {"light", "dark", "middling"}
    turn_deg : float
        Largest turn of each strip in its row. [degrees]
    any_way_up : bool
        The whole picture may be turned by any angle that leaves the reading order plain.
    touching : bool
        Two neighbours touch.
    cut_off : bool
        One strip lies half outside the frame.
    """

    ground: str = "dark"
    turn_deg: float = 12.0
    any_way_up: bool = False
    touching: bool = False
    cut_off: bool = False


def rows_of_strips(rng, strips, *, gap_mm, turn_deg, jitter_mm) -> tuple[list[Placed], tuple[float, float]]:
    """Strips in one or two rows, the step strip lying below them; and the size of the area they need. [mm]"""
    samples, steps = [s for s in strips if not s.plan.is_steps], [s for s in strips if s.plan.is_steps]
    per_row = len(samples) if len(samples) <= 5 else (len(samples) + 1) // 2
    longest = max((s.plan.length_mm for s in samples), default=0.0)
    widest = max((s.plan.width_mm for s in samples), default=0.0)
    lean = np.sin(np.radians(turn_deg))
    pitch_x = widest + longest * lean * 0.8 + gap_mm
    pitch_y = longest + widest * lean + gap_mm
    lying = []
    for i, strip in enumerate(samples):
        at = np.array([(i % per_row + 0.5) * pitch_x + gap_mm, (i // per_row + 0.5) * pitch_y + gap_mm])
        at += rng.uniform(-jitter_mm, jitter_mm, 2)
        plain = len(strip.plan.patches) == 1  # only such a strip may lie head down
        way = 180.0 if plain and turn_deg > 5 and rng.random() < 0.3 else 0.0
        lying.append(
            placed(
                rng,
                strip,
                centre_mm=(float(at[0]), float(at[1])),
                turn_deg=way + rng.uniform(-turn_deg, turn_deg),
            )
        )
    width = max([per_row * pitch_x, *(s.plan.length_mm for s in steps)]) + 2 * gap_mm
    y = -(-len(samples) // max(per_row, 1)) * pitch_y + 2 * gap_mm
    for strip in steps:
        lean_y = strip.plan.length_mm / 2 * np.sin(np.radians(min(turn_deg, 4.0)))
        beside = float(width / 2 + rng.uniform(-jitter_mm, jitter_mm))
        turn = float(rng.choice([-90.0, 90.0])) + rng.uniform(-1, 1) * min(turn_deg, 4.0)
        lying.append(placed(rng, strip, centre_mm=(beside, y + strip.plan.width_mm / 2 + lean_y), turn_deg=turn))
        y += strip.plan.width_mm + 2 * lean_y + gap_mm
    return lying, (float(width), float(y + gap_mm))


def pushed_together(lying: list[Placed]) -> list[Placed]:
    """The second strip moved and turned until its left edge lies along the right edge of the first."""
    first, second = lying[0], lying[1]
    corners = first.corners_mm
    left_first = np.argsort(corners[:, 0])
    right = corners[left_first[2:]].mean(axis=0) - corners[left_first[:2]].mean(axis=0)
    direction = right / np.hypot(*right)
    own = first.corners_mm - first.corners_mm.mean(axis=0)
    apart = (first.strip.plan.width_mm + second.strip.plan.width_mm) / 2 + 0.1
    stretch = np.array([second.strip.plan.width_mm, second.strip.plan.length_mm])
    axes = np.stack([own[1] - own[0], own[3] - own[0]])
    axes /= np.hypot(axes[:, :1], axes[:, 1:])
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2 * stretch
    moved = first.corners_mm.mean(axis=0) + apart * direction + half @ axes
    return [first, Placed(second.strip, moved), *lying[2:]]


def pushed_out(rng, lying: list[Placed], size: tuple[float, float]) -> list[Placed]:
    """The first strip of the lower row moved half out of the frame, to the left."""
    samples = [p for p in lying if not p.strip.plan.is_steps]
    victim = max(samples, key=lambda p: (round(p.corners_mm[:, 1].mean() / 30), -p.corners_mm[:, 0].mean()))
    away = np.array([-victim.corners_mm[:, 0].mean() - rng.uniform(14.0, 18.0), 0.0])
    return [Placed(p.strip, p.corners_mm + away) if p is victim else p for p in lying]


def reading_order(papers: list[np.ndarray]) -> tuple[list[int], float]:
    """Order in which strips are read, and how plain it is.

    Rows from the top, within a row from left to right; a strip whose centre lies within the height of the
    row's topmost strip belongs to that row.

    Returns
    -------
    order : list of int
    clearance : float
        Smallest distance of a centre from the edge of a row, as a share of that row's height. [1]
    """
    tops, bottoms = [p[:, 1].min() for p in papers], [p[:, 1].max() for p in papers]
    centres = [p.mean(axis=0) for p in papers]
    left, order, clearance = set(range(len(papers))), [], 1.0
    while left:
        top = min(left, key=lambda i: tops[i])
        height = bottoms[top] - tops[top]
        row = [i for i in left if tops[top] <= centres[i][1] <= bottoms[top]]
        edges = [min(abs(centres[i][1] - tops[top]), abs(centres[i][1] - bottoms[top])) for i in left]
        clearance = min(clearance, min(edges) / height)
        order += sorted(row, key=lambda i: centres[i][0])
        left -= set(row)
    return order, clearance
