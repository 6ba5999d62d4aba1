"""Made paper: its curve, its colour, and how uneven it is over a sheet, between sheets and between lots.

Sizes of the unevenness follow the starting values for a bench (sheet 4 %, lot 12 %, brushed 3 %); they are
estimates, and a real sheet may be two to ten times worse.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from fairpanel.rehearsal.curves import Curve, draw_curve
from fairpanel.rehearsal.fields import Field, draw_field, share_left, smooth_noise

#: Size of a sheet, for the places strips are cut from. [mm]
SHEET_MM = (210.0, 297.0)
#: Strips are cut in rows of seven, the step strip from the middle of the sheet.
_STRIP_ROWS_MM = (2.0, 68.0, 166.0, 232.0)
_STEPS_ROWS_MM = (136.0, 108.0)


@dataclass(frozen=True)
class Paper:
    """A lot of paper.

    Parameters
    ----------
    lot : str
    half_seconds : float
        Exposure under glass, on the lamp's axis, that brings half of the density range. [s]
    curve : Curve
    base_density : (3,) array
        Washed, unexposed paper, in the red, green and blue of the working space. [1]
    range_density : float
        Red density of full blue over that of unexposed paper. [1]
    green, blue, bend : float
        Green and blue density of the dye as shares of the red one; `bend` raises both in the dark. [1]
    surface : float
        Light the surface gives back whatever lies below. [1]
    coat_sd, coat_mm : float
        Coating weight: relative standard deviation of the mean of a patch, and correlation length. [1, mm]
    speed_sd, speed_mm : float
        Sensitivity within a sheet, likewise. [1, mm]
    texture : float
        Relative grain of the coating at 0.25 mm. [1]
    streaks : float
        Relative depth of brush streaks; 0 for machine-coated paper. [1]
    sheet_speed_sd, sheet_range_sd : float
        Between sheets. [1]
    """

    lot: str
    half_seconds: float
    curve: Curve
    base_density: np.ndarray
    range_density: float
    green: float
    blue: float
    bend: float
    surface: float
    coat_sd: float = 0.004
    coat_mm: float = 12.0
    speed_sd: float = 0.01
    speed_mm: float = 50.0
    texture: float = 0.02
    streaks: float = 0.0
    sheet_speed_sd: float = 0.04
    sheet_range_sd: float = 0.015

    def image_density(self, dose_seconds: np.ndarray) -> np.ndarray:
        """Red density over unexposed paper of an even coating, after a dose in seconds under glass."""
        return self.range_density * self.curve.response(np.asarray(dose_seconds) / self.half_seconds)

    def reflectance(self, image_density: np.ndarray) -> np.ndarray:
        """Linear light given back, working space, of paper with this red image density.

        Parameters
        ----------
        image_density : (...) array
            Over unexposed paper. [1]

        Returns
        -------
        (..., 3) float32 array
            A perfect white is 1.
        """
        d = np.asarray(image_density, dtype=np.float32)
        bent = d * (1 + self.bend * d)
        channels = np.stack([d, self.green * bent, self.blue * bent], axis=-1)
        below = 10.0 ** -(channels + np.asarray(self.base_density, dtype=np.float32))
        return (self.surface + (1 - self.surface) * below).astype(np.float32)


def draw_paper(
    rng: np.random.Generator,
    *,
    half_seconds: float,
    lot: str = "lot 1",
    brushed: bool = False,
    odd: bool = False,
    deep: bool = False,
    uneven: float = 1.0,
) -> Paper:
    """A lot of paper at random.

    Parameters
    ----------
    half_seconds : float
        [s]
    brushed : bool
        Coated by hand with a brush: streaks of 3 %.
    odd : bool
        With a curve of the odd families.
    deep : bool
        With a density range of 1.6 to 1.9: little red is left to read, and in sRGB it may clip.
    uneven : float
        Factor on coating and speed variation within the sheet. [1]
    """
    tone = rng.uniform(0.04, 0.12)
    return Paper(
        lot=lot,
        half_seconds=half_seconds,
        curve=draw_curve(rng, odd=odd),
        base_density=tone * np.array([1.0, rng.uniform(0.7, 1.05), rng.uniform(0.7, 1.8)]) + 0.01,
        range_density=float(rng.uniform(*((1.6, 1.9) if deep else (0.9, 1.4)))),
        green=float(rng.uniform(0.40, 0.54)),
        blue=float(rng.uniform(0.15, 0.27)),
        bend=float(rng.uniform(0.0, 0.30)),
        surface=float(rng.uniform(0.004, 0.014)),
        coat_sd=0.004 * uneven,
        coat_mm=float(np.exp(rng.uniform(np.log(5), np.log(30)))),
        speed_sd=0.01 * uneven,
        speed_mm=float(rng.uniform(30, 80)),
        texture=float(rng.uniform(0.01, 0.03)) * (2.0 if brushed else 1.0),
        streaks=0.03 if brushed else 0.0,
    )


def another_lot(paper: Paper, *, lot: str, slower: float) -> Paper:
    """The next lot of the same paper, `slower` times as slow."""
    return replace(paper, lot=lot, half_seconds=paper.half_seconds * slower)


@dataclass(frozen=True)
class Sheet:
    """A sheet of a lot, with its own unevenness.

    Parameters
    ----------
    speed, weight : float
        Sensitivity and coating weight of the sheet relative to its lot. [1]
    fields : mapping
        "coat", "speed" and perhaps "streaks".
    """

    name: str
    paper: Paper
    speed: float
    weight: float
    fields: dict[str, Field] = field(default_factory=dict)

    def piece(
        self,
        rng: np.random.Generator,
        *,
        corner_mm: tuple[float, float],
        turned: bool,
        shape: tuple[int, int],
        px_per_mm: float,
    ) -> tuple[np.ndarray, np.ndarray]:
        """Coating weight and speed over a strip cut from the sheet.

        Parameters
        ----------
        corner_mm : (x, y)
            Where on the sheet the strip's start corner lies. [mm]
        turned : bool
            The strip's length runs along x rather than along y.
        shape : (rows, columns)
            Of the strip: rows along its length. [px]

        Returns
        -------
        weight, speed : (rows, columns) arrays
            Relative to the lot. [1]
        """
        along = np.arange(shape[0]) / px_per_mm
        across = np.arange(shape[1]) / px_per_mm
        slow_speed = self._slow("speed", corner_mm, turned, along, across, step_mm=6.0)
        weight = self.weight * (1 + self._slow("coat", corner_mm, turned, along, across, step_mm=1.5))
        if "streaks" in self.fields:
            weight *= 1 + self._slow("streaks", corner_mm, turned, along, across, step_mm=0.7)
        weight *= 1 + self.paper.texture * smooth_noise(rng, shape, sigma_px=0.6)
        return weight, self.speed * (1 + slow_speed)

    def _slow(self, name, corner_mm, turned, along, across, *, step_mm) -> np.ndarray:
        """A field sampled coarsely over the strip and drawn out to every point of it."""
        coarse_u = np.arange(along[0], along[-1] + 2 * step_mm, step_mm)
        coarse_v = np.arange(across[0], across[-1] + 2 * step_mm, step_mm)
        u, v = np.meshgrid(coarse_u, coarse_v, indexing="ij")
        x, y = (u, v) if turned else (v, u)
        coarse = self.fields[name].at(x + corner_mm[0], y + corner_mm[1])
        return _stretched_to(coarse, along / step_mm, across / step_mm)


def _stretched_to(coarse: np.ndarray, rows: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Bilinear values of a coarse grid at fractional rows and columns."""
    i = np.minimum(rows.astype(int), coarse.shape[0] - 2)
    j = np.minimum(columns.astype(int), coarse.shape[1] - 2)
    fi, fj = (rows - i)[:, None], (columns - j)[None, :]
    by_row = coarse[i] * (1 - fi) + coarse[i + 1] * fi
    return by_row[:, j] * (1 - fj) + by_row[:, j + 1] * fj


def draw_sheet(rng: np.random.Generator, paper: Paper, *, name: str) -> Sheet:
    """A sheet of a lot at random."""
    left = share_left(paper.coat_mm, 12.0) * share_left(paper.coat_mm, 40.0)
    fields = {
        "coat": draw_field(rng, sd=paper.coat_sd / np.sqrt(left), along_mm=paper.coat_mm),
        "speed": draw_field(rng, sd=paper.speed_sd, along_mm=paper.speed_mm),
    }
    if paper.streaks:
        direction = float(rng.choice([0.0, 90.0]) + rng.normal(0, 6))
        fields["streaks"] = draw_field(
            rng,
            sd=paper.streaks,
            along_mm=rng.uniform(40, 100),
            across_mm=rng.uniform(1.2, 2.5),
            angle_deg=direction,
        )
    speed = float(np.exp(rng.normal(0, paper.sheet_speed_sd)))
    return Sheet(name, paper, speed, float(np.exp(rng.normal(0, paper.sheet_range_sd))), fields)


def cut_places(rng: np.random.Generator) -> list[tuple[float, float]]:
    """Start corners of 28 strips on a sheet, in the shuffled order in which they are used. [mm]"""
    places = [(2.0 + 29.5 * i, y) for y in _STRIP_ROWS_MM for i in range(7)]
    return [places[i] for i in rng.permutation(len(places))]


def steps_place(number: int = 0) -> tuple[float, float]:
    """Start corner of the sheet's step strip, which lies along x. [mm]"""
    return 18.0, _STEPS_ROWS_MM[number % 2]
