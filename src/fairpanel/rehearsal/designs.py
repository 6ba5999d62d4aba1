"""Designs of made campaigns: what is exposed, on which paper, under which lamp, and how it is pictured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Design:
    """A campaign to be made.

    Parameters
    ----------
    camera : {"scan", "phone", "hard phone", "either"}
        "either" draws scanner or phone for each picture.
    scene : {"mat", "bed", "loose"}
        Bed and loose are without the mat; on the bed the table gives boxes in pixels, loose it leaves them
        empty.
    relative : tuple of float
        Exposure of the product patches in half-way exposures of the paper; several for a bracket. [1]
    seconds : tuple of float
        The same in seconds; empty: follows from a paper drawn at random. [s]
    half_seconds : float or None
        Half-way exposure of the paper; None: follows from `seconds`, or is drawn. [s]
    steps : {"linear", "geometric"} or tuple of float
        Five even steps up to the longest exposure, or eight near geometric ones up to 1.5 times it; or
        their times.
    half_plates : bool
        Each strip lies under a plate coated on one half and glass only on the other.
    sheets : int
        Paper sheets over which the plates of a product are spread, each with its own picture and steps.
    plates : int
        Plates of each product; 0: one on each sheet.
    groups : int
        Groups of products; each has its own pictures.
    per_picture : int
        Products in a picture. On the mat products and controls together fill at most twelve cells.
    controls, no_glass : int
        Further strips in each picture that lie under glass only, or under nothing.
    blocked : tuple of float
        What the products block; empty: spread evenly over 2 to 98 %. [%]
    products : tuple of (name, blocked)
        Named products; then `blocked` and `groups` are not used.
    film_cv : float
        Relative standard deviation of film mass between plates of a product. [1]
    film_uneven : float
        Relative unevenness of the film along a plate, at most. [1]
    brushed, odd_curve, deep_blue : bool
        Coated with a brush; with an odd curve; so deep a blue that little red is left to read.
    uneven : float
        Factor on the unevenness of the paper within a sheet. [1]
    drift : float
        Lamp drift between exposures. [1]
    marked : float
        Share of strips with stains, bubbles, scratches or curl. [1]
    light : {"window", "known", "unknown", "drawn"}
        Every patch in turn under a window on the lamp's axis; or strips about the bench with the light of
        each place written down or not; "drawn": one of the first two.
    step_role : {"step", "step no glass", "step unknown"}
        With "step unknown" glass lay over the steps or did not, by chance.
    steps_from : {"picture", "sheet", "run", "other picture", "elsewhere"}
        The step strip's own sheet, sitting or picture differs; "elsewhere": all three.
    table : {"short", "full", "drawn"}
    megapixels, dpi : float
        Size of photos and fineness of scans; 0: drawn for each picture.
    lie : str
        Loose strips: "plain", "touching", "cut off", "any way up", or "drawn".
    """

    camera: str = "scan"
    scene: str = "mat"
    relative: tuple[float, ...] = (3.9,)
    seconds: tuple[float, ...] = ()
    half_seconds: float | None = None
    steps: str | tuple[float, ...] = "linear"
    half_plates: bool = False
    sheets: int = 1
    plates: int = 0
    groups: int = 1
    per_picture: int = 12
    controls: int = 0
    no_glass: int = 0
    blocked: tuple[float, ...] = ()
    products: tuple[tuple[str, float], ...] = ()
    film_cv: float = 0.08
    film_uneven: float = 0.02
    brushed: bool = False
    odd_curve: bool = False
    deep_blue: bool = False
    uneven: float = 1.0
    drift: float = 0.01
    marked: float = 0.0
    light: str = "drawn"
    step_role: str = "step"
    steps_from: str = "picture"
    table: str = "drawn"
    megapixels: float = 0.0
    dpi: float = 0.0
    lie: str = "drawn"

    def plates_on_sheet(self, sheet: int) -> int:
        """Plates of each product whose strips are cut from this sheet, counted from 0."""
        plates = self.plates or self.sheets
        return plates // self.sheets + (sheet < plates % self.sheets)


def step_times(kind: str | tuple[float, ...], *, longest: float) -> tuple[float, ...]:
    """Times of a step strip. [s]

    Parameters
    ----------
    kind : {"linear", "geometric"} or tuple of float
    longest : float
        Longest exposure of a product. [s]

    Examples
    --------
    >>> step_times("linear", longest=240)
    (0.0, 60.0, 120.0, 180.0, 240.0)
    >>> step_times("geometric", longest=240)
    (0.0, 11.0, 19.0, 34.0, 62.0, 111.0, 200.0, 360.0)
    """
    if not isinstance(kind, str):
        return tuple(float(t) for t in kind)
    if kind == "linear":
        return tuple(float(round(t)) for t in np.linspace(0, longest, 5))
    return (0.0, *(float(max(round(1.5 * longest / 1.8**k), 7 - k)) for k in range(6, -1, -1)))


def exposure_times(rng: np.random.Generator, design: Design) -> tuple[tuple[float, ...], float]:
    """Seconds of the product patches, and the paper's half-way exposure. [s]"""
    if design.seconds:
        usual = design.seconds[-1] / design.relative[-1]
        return design.seconds, design.half_seconds or float(usual * rng.uniform(0.93, 1.07))
    half = design.half_seconds or float(rng.uniform(45, 90))
    return tuple(float(5 * round(half * r * rng.uniform(0.96, 1.04) / 5)) for r in design.relative), half


def blocked_values(rng: np.random.Generator, design: Design) -> np.ndarray:
    """What each product of one group blocks, in no order. [%]"""
    n = design.per_picture
    if design.blocked:
        return rng.permutation(np.resize(np.array(design.blocked, dtype=float), n))
    return rng.permutation(2 + 96 * (np.arange(n) + rng.random(n)) / n)
