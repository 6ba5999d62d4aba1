"""Made exposures: the lamp, its field, the glass and the film, and the dose each point of a strip receives.

Doses are in seconds under glass on the axis of a warm, steady lamp. Figures of the lamp are invented for the
rehearsal (warm-up time constant 4 min, field 0.23 % per cm²); others are estimates.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import cv2
import numpy as np

#: Light through 3 mm of clear glass, weighted by lamp and paper, relative to no glass. Invented, see above.
GLASS_TRANSMISSION = 0.78


@dataclass(frozen=True)
class Lamp:
    """The lamp.

    Parameters
    ----------
    name : str
    drift : float
        Relative standard deviation between exposures of one sitting. [1]
    run_sd : float
        Between sittings. [1]
    warm_seconds : float
        Time constant of warming up. [s]
    fall : float
        Loss of light with distance from the axis, per square centimetre. [1/cm²]
    place_sd : float
        Unevenness of the field that no formula knows. [1]
    timing_sd : float
        Of each opening or closing of the shutter or card. [s]
    axis_mm : (x, y)
        Where the axis meets the bench. [mm]
    """

    name: str = "lamp 1"
    drift: float = 0.01
    run_sd: float = 0.025
    warm_seconds: float = 240.0
    fall: float = 0.0023
    place_sd: float = 0.002
    timing_sd: float = 0.5
    axis_mm: tuple[float, float] = (0.0, 0.0)

    def relative_light(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Light at a place of the bench; 1 on the axis."""
        square = (np.asarray(x_mm) - self.axis_mm[0]) ** 2 + (np.asarray(y_mm) - self.axis_mm[1]) ** 2
        return 1 - self.fall * square / 100.0

    def warmth(self, lamp_on_s: float, *, seconds: float) -> float:
        """Mean output over an exposure that starts `lamp_on_s` after switching on; 1 when warm."""
        if seconds <= 0:
            return 1.0
        tau = self.warm_seconds
        return 1 - tau / seconds * (np.exp(-lamp_on_s / tau) - np.exp(-(lamp_on_s + seconds) / tau))


@dataclass(frozen=True)
class Film:
    """What lies on the glass.

    Parameters
    ----------
    absorbance : float
        -ln of its transmission where it is even; slightly negative is legal. [1]
    uneven : float
        Relative depth of its unevenness along the plate. [1]
    phase : float
        Where on the plate it is thick. [rad]
    """

    absorbance: float = 0.0
    uneven: float = 0.0
    phase: float = 0.0

    def transmission(self, along: np.ndarray) -> np.ndarray:
        """Transmission along the plate, `along` running from 0 to 1."""
        wave = np.sin(2 * np.pi * 0.8 * along + self.phase) + 0.4 * np.sin(2 * np.pi * 2.3 * along + 2 * self.phase)
        return np.exp(-self.absorbance * np.maximum(1 + self.uneven * wave, 0.0))


NO_FILM = Film()


def draw_film(
    rng: np.random.Generator, *, blocked: float, mass_cv: float, uneven: float = 0.0, mass: float = 1.0
) -> Film:
    """One plate's film of a product.

    Parameters
    ----------
    blocked : float
        What the product's nominal film blocks. [%]
    mass_cv : float
        Relative standard deviation of film mass between plates. [1]
    mass : float
        Factor on the film mass of this plate (an unbuffed plate: about 4). [1]
    """
    nominal = -np.log1p(-blocked / 100.0)
    plate = max(float(rng.normal(1.0, mass_cv)), 0.2) if mass_cv else 1.0
    return Film(float(nominal * plate * mass), uneven, float(rng.uniform(0, 2 * np.pi)))


@dataclass(frozen=True)
class Patch:
    """One patch of paper, as planned.

    Parameters
    ----------
    role : str
        As the table of what was done names it.
    seconds : float
        Planned exposure. [s]
    product, kind : str
    film : Film
    length : float
        Share of the strip's exposed length. [1]
    hidden_no_glass : bool
        No glass lay over it, though its role does not say so ("step unknown").
    """

    role: str
    seconds: float
    product: str = ""
    kind: str = ""
    film: Film = NO_FILM
    length: float = 1.0
    hidden_no_glass: bool = False

    @property
    def under_glass(self) -> bool:
        """Whether glass lies over it."""
        return self.role not in ("no glass", "step no glass") and not self.hidden_no_glass


@dataclass(frozen=True)
class Exposure:
    """One time under the lamp.

    Parameters
    ----------
    run : str
        The sitting at the lamp.
    output : float
        Lamp output of this exposure, warm, relative to its usual one: sitting and drift. [1]
    lamp_on_s : float
        Time since switching on, at the start. [s]
    place_mm : (x, y)
        Bench place of the strip's centre; the strip runs along y. [mm]
    windowed : bool
        Each patch in turn lay under a window on the axis, so that the place is the same for all.
    glass : float
        This plate's glass relative to the usual lot. [1]
    side_light : float
        Light creeping in at the edge of the plate, relative to the light under glass. [1]
    """

    run: str = "1"
    output: float = 1.0
    lamp_on_s: float = 3600.0
    place_mm: tuple[float, float] = (0.0, 0.0)
    windowed: bool = True
    glass: float = 1.0
    side_light: float = 0.0


@dataclass(frozen=True)
class Dose:
    """What a strip received.

    Parameters
    ----------
    seconds : (rows, columns) array
        Dose, rows along the strip. [s under glass]
    bounds : tuple of (int, int)
        First and last row + 1 of each patch. [px]
    light : tuple of float
        Relative light of each patch by the lamp's formula, mean over it. [1]
    transmission : tuple of float
        True transmission of each patch's film, mean over it. [1]
    """

    seconds: np.ndarray
    bounds: tuple[tuple[int, int], ...]
    light: tuple[float, ...]
    transmission: tuple[float, ...] = field(default=())


def patch_bounds(patches: tuple[Patch, ...], *, rows: int, rim_px: int) -> tuple[tuple[int, int], ...]:
    """Rows at which each patch starts and ends, inside the unexposed rim."""
    lengths = np.array([p.length for p in patches])
    edges = rim_px + np.round(np.concatenate([[0], np.cumsum(lengths) / lengths.sum()]) * (rows - 2 * rim_px))
    return tuple((int(a), int(b)) for a, b in pairwise(edges))


def dose(
    rng: np.random.Generator,
    patches: tuple[Patch, ...],
    *,
    lamp: Lamp,
    exposure: Exposure,
    shape: tuple[int, int],
    px_per_mm: float,
    rim_mm: float = 0.0,
    penumbra_mm: float = 0.4,
) -> Dose:
    """The dose over a strip.

    The card's or film's edge is blurred by `penumbra_mm`; light creeps in at the edges of the plate; the
    rim stays under the mask.

    Parameters
    ----------
    shape : (rows, columns)
        Rows along the strip. [px]
    """
    rim_px = round(rim_mm * px_per_mm)
    bounds = patch_bounds(patches, rows=shape[0], rim_px=rim_px)
    light = _light(lamp, exposure, bounds, shape, px_per_mm)
    by_formula = tuple(float(light[a:b].mean()) for a, b in bounds)
    light = light * (1 + rng.normal(0, lamp.place_sd))
    under_glass, transmission = np.zeros(shape[0]), np.ones(shape[0])
    for patch, (a, b) in zip(patches, bounds):
        under_glass[a:b] = _open_seconds(rng, patch, lamp, exposure)
        transmission[a:b] = patch.film.transmission((np.arange(a, b) + 0.5 - a) / max(b - a, 1))
    profile = _blurred(under_glass * transmission, bounds, penumbra_mm * px_per_mm)
    seconds = light * (profile[:, None] + under_glass[:, None] * _side_light(exposure, bounds, shape, px_per_mm))
    true_transmission = tuple(float(transmission[a:b].mean()) for a, b in bounds)
    return Dose(seconds * _mask(shape, rim_px, px_per_mm), bounds, by_formula, true_transmission)


def _open_seconds(rng, patch: Patch, lamp: Lamp, exposure: Exposure) -> float:
    """Seconds under glass on the axis that the patch was open for."""
    if patch.seconds <= 0:
        return 0.0
    opened = max(patch.seconds + rng.normal(0, lamp.timing_sd), 0.0)
    glass = exposure.glass if patch.under_glass else 1 / GLASS_TRANSMISSION
    return opened * exposure.output * glass * lamp.warmth(exposure.lamp_on_s, seconds=patch.seconds)


def _light(lamp, exposure, bounds, shape, px_per_mm) -> np.ndarray:
    """Relative light over the strip."""
    y = (np.arange(shape[0]) + 0.5) / px_per_mm
    if exposure.windowed:
        for a, b in bounds:
            y[a:b] -= (a + b) / 2 / px_per_mm
        y[: bounds[0][0]] = y[bounds[-1][1] :] = 0.0
    else:
        y -= shape[0] / 2 / px_per_mm
    x = (np.arange(shape[1]) + 0.5 - shape[1] / 2) / px_per_mm
    return lamp.relative_light(exposure.place_mm[0] + x[None, :], exposure.place_mm[1] + y[:, None])


def _blurred(profile: np.ndarray, bounds, sigma_px: float) -> np.ndarray:
    """The profile along the strip with its edges softened, but not into the rim."""
    a, b = bounds[0][0], bounds[-1][1]
    out = profile.copy()
    line = np.ascontiguousarray(profile[a:b][None, :])
    out[a:b] = cv2.GaussianBlur(line, (0, 0), max(sigma_px, 0.3), borderType=cv2.BORDER_REPLICATE)[0]
    return out


def _side_light(exposure, bounds, shape, px_per_mm, reach_mm: float = 1.2) -> np.ndarray:
    """Extra light at the edges of the plate, falling over a few millimetres."""
    if exposure.side_light <= 0:
        return np.zeros(shape)
    rows, columns = np.arange(shape[0]), np.arange(shape[1])
    a, b = bounds[0][0], bounds[-1][1]
    end = np.clip(np.minimum(rows - a, b - 1 - rows), 0, None)[:, None]
    side = np.minimum(columns, shape[1] - 1 - columns)[None, :]
    nearest = np.minimum(end, side) / px_per_mm
    return exposure.side_light * np.exp(-nearest / reach_mm)


def _mask(shape, rim_px: int, px_per_mm: float) -> np.ndarray:
    """1 where the mask is open, 0 under it, with a soft edge."""
    open_ = np.zeros(shape, dtype=np.float32)
    open_[rim_px : shape[0] - rim_px, rim_px : shape[1] - rim_px] = 1
    return cv2.GaussianBlur(open_, (0, 0), 0.3 * px_per_mm) if rim_px else open_
