"""What the strips lie on: its colour at every place of the picture, and how far a pixel is from it.

Tones here are CIE lightness of each channel's own light (0 to 100), in which equal steps look about equal;
they serve to find things, never to measure them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from fairpanel.picture.upright import Transfer

#: No ground is taken to be more even than this. Tones of one sheet of paper in one scan differ by about as
#: much.
EVENEST = 0.7

#: A ground that spreads more than this is rough; its grain is removed with a median this wide.
ROUGH = 1.2
MEDIAN_PX = 13

#: A wide median lets what stands out grow by about half of this all round.
GROWN_PX = 7

#: A pixel stands out from this distance to the ground on. [spreads of the ground]
DISTANT = 4.5

#: Of what is ground for certain some may be pale paper after all; the rest reaches no further than this. [medians]
MOST_REACH = 3.0

#: Paper on a rough ground shows less than this share of the ground's grain, if that is at least so much.
SMOOTH = 0.72
LEAST_GRAIN = 0.6

#: Pixels nearer to the ground than this many spreads count as ground while it is being fitted.
NEAR = 3.0


def tones(codes: np.ndarray, transfer: Transfer) -> np.ndarray:
    """Lightness of each channel's own light.

    Parameters
    ----------
    codes : (..., 3) array of uint8 or uint16
    transfer : Transfer

    Returns
    -------
    (..., 3) float32 array
        0 (no light) to 100 (full white).

    Source
    ------
    L* = 116 (Y)^(1/3) - 16, and 903.3 Y below 0.008856: CIE 15, from memory.
    """
    fine = codes.dtype != np.uint8
    light = np.clip(transfer.table[8::16] if fine else transfer.table, 0.0, None)
    lightness = np.where(light > 0.008856, 116.0 * np.cbrt(light) - 16.0, 903.3 * light).astype(np.float32)
    if fine:  # twelve of sixteen bits are more than finding needs, and the table is made anew each time
        codes = codes >> 4
        return np.stack([lightness[codes[..., c], c] for c in range(3)], axis=-1)
    return cv2.LUT(np.ascontiguousarray(codes), np.ascontiguousarray(lightness.reshape(1, 256, 3)))


@dataclass(frozen=True)
class Ground:
    """A smooth surface of colour with its spread.

    Parameters
    ----------
    surface : (height, width, 3) float32 array
        Tone of the bare ground at each place of the reduced picture.
    whiten : (3, 3) array
        Takes a difference of tone to units of the ground's own spread.
    share : float
        How much of the looked-at area is ground. [1]
    spread : float
        Typical spread of the ground's tone. [lightness]
    reach : float
        Distance that only one in a hundred pixels of certain ground exceeds. [spreads]
    certain : bool array
        Where it is ground for certain, for every third pixel both ways from the second on.
    """

    surface: np.ndarray
    whiten: np.ndarray
    share: float
    spread: float
    reach: float
    certain: np.ndarray

    def standing_out(self, picture: np.ndarray) -> np.ndarray:
        """How clearly each pixel differs in tone from the ground; 1 is just clear.

        An even ground asks for little smoothing. A rough one (cloth, wood, a noisy photo) is put through a
        wide median, which keeps straight edges where they are.

        Parameters
        ----------
        picture : (height, width, 3) float32 array
            Tones, the same that the ground was found in.

        Returns
        -------
        (height, width) float32 array
        """
        rough = self.spread >= ROUGH
        if not rough:
            smooth, ground = cv2.blur(picture, (3, 3)), self
        else:
            codes = np.clip(np.round(picture * 2.5), 0, 255).astype(np.uint8)
            smooth = cv2.medianBlur(codes, MEDIAN_PX).astype(np.float32) / 2.5
            ground = _measured(smooth, self.surface, self.certain, self.share, evenest=EVENEST / 2)
        clear = ground.distance(smooth) / max(DISTANT, 1.15 * ground.reach)
        return cv2.erode(clear, np.ones((GROWN_PX, GROWN_PX), np.uint8)) if rough else clear

    def smoothness(self, picture: np.ndarray) -> np.ndarray | None:
        """How much smoother than a rough ground each place is; 1 is just clear. None where the ground has no
        grain.

        Paper as light as a cloth it lies on still lacks the cloth's grain.

        Parameters
        ----------
        picture : (height, width, 3) float32 array
            Tones, the same that the ground was found in.

        Returns
        -------
        (height, width) float32 array or None
        """
        if self.spread < ROUGH:
            return None
        light = picture.mean(axis=-1)
        mean, square = cv2.blur(light, (9, 9)), cv2.blur(light * light, (9, 9))
        grain = cv2.blur(np.sqrt(np.maximum(square - mean * mean, 0.0)), (9, 9))
        usual = float(np.median(grain[1::3, 1::3][self.certain]))
        return SMOOTH * usual / np.maximum(grain, 0.05) if usual > LEAST_GRAIN else None

    def distance(self, picture: np.ndarray) -> np.ndarray:
        """How far each pixel is from the ground at its place, in spreads of the ground.

        Parameters
        ----------
        picture : (height, width, 3) float32 array
            Tones.

        Returns
        -------
        (height, width) float32 array
        """
        away = cv2.transform(cv2.subtract(picture, self.surface), self.whiten.astype(np.float32))
        return cv2.sqrt(cv2.transform(cv2.multiply(away, away), np.ones((1, 3), np.float32)))


def find_ground(picture: np.ndarray, domain: np.ndarray | None = None) -> Ground | None:
    """The ground that most of a picture's edge, or most of a part of it, shows.

    Candidates (the middle tone of the whole border and of each of its sides, and the commonest tone) each get
    a smooth surface by repeated fitting to the pixels near them; the one that explains most is taken. What is
    left of the illumination is followed with a wide mean of the pixels that are ground for certain.

    Parameters
    ----------
    picture : (height, width, 3) float32 array
        Tones.
    domain : (height, width) bool array, optional
        The part to look at: something inside the picture that may itself be a ground.

    Returns
    -------
    Ground or None
        None where nothing covers at least a tenth of the area.
    """
    step = max(1, round(max(picture.shape[:2]) / 140))
    small = cv2.resize(
        picture, (-(-picture.shape[1] // step), -(-picture.shape[0] // step)), interpolation=cv2.INTER_AREA
    )
    inside = np.ones(small.shape[:2], bool) if domain is None else _reduced(domain, small.shape[:2])
    if np.count_nonzero(inside) < 30:
        return None
    weight = _weights(inside, border_counts=domain is None)
    fits = [_grown(small, inside, weight, start) for start in _candidates(small, inside, domain is None)]
    best = max(fits, key=lambda fit: fit[0])
    if best[0] < 0.1:
        return None
    return _followed(picture, small, best[1], best[2], best[0])


def _reduced(domain: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    share = cv2.resize(domain.astype(np.float32), shape[::-1], interpolation=cv2.INTER_AREA)
    return share > 0.9


def _weights(inside: np.ndarray, *, border_counts: bool) -> np.ndarray:
    """Weight of each pixel in the vote for a ground: the border of a picture is nearly always ground."""
    weight = inside.astype(float)
    if border_counts:
        rim = max(2, round(min(inside.shape) * 0.04))
        border = np.ones(inside.shape, bool)
        border[rim:-rim, rim:-rim] = False
        weight[border] *= 0.6 * inside.size / border.sum()
    return weight / weight.sum()


def _candidates(small: np.ndarray, inside: np.ndarray, whole: bool) -> list[np.ndarray]:
    found = [_commonest(small[inside])]
    if whole:
        rim = max(2, round(min(small.shape[:2]) * 0.04))
        sides = [small[:rim], small[-rim:], small[:, :rim], small[:, -rim:]]
        sides = [side.reshape(-1, 3) for side in sides]
        found += [np.median(side, axis=0) for side in (*sides, np.concatenate(sides))]
    distinct: list[np.ndarray] = []
    for tone in found:
        if all(np.abs(tone - other).max() > 2.0 for other in distinct):
            distinct.append(tone)
    return distinct


def _commonest(values: np.ndarray) -> np.ndarray:
    """The tone found most often, to within a few units."""
    bins = np.floor(values / 6.0).astype(int)
    keys = bins @ np.array([1, 64, 4096])
    names, counts = np.unique(keys, return_counts=True)
    return np.median(values[keys == names[np.argmax(counts)]], axis=0)


@lru_cache(maxsize=8)
def _terms(shape: tuple[int, int], degree: int) -> np.ndarray:
    """Polynomial terms of place, (height, width, terms), with x and y from -1 to 1."""
    y, x = np.meshgrid(np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij")
    powers = [(i, j) for total in range(degree + 1) for i in range(total + 1) for j in (total - i,)]
    return np.stack([x**i * y**j for i, j in powers], axis=-1)


def _grown(
    small: np.ndarray, inside: np.ndarray, weight: np.ndarray, start: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    """A surface that starts at one tone and takes in what lies near it: (share of votes, mask, surface)."""
    surface = np.broadcast_to(start, small.shape)
    near = inside & (np.abs(small - surface).max(axis=-1) < 9.0)
    spread = 3.0
    for degree in (0, 1, 1, 2, 2, 2):
        if np.count_nonzero(near) < 30:
            break
        terms = _terms(small.shape[:2], degree)
        own = terms[near]
        weighted = own.T * weight[near]
        solution = np.linalg.lstsq(weighted @ own, weighted @ small[near].astype(float), rcond=None)[0]
        surface = terms @ solution
        away = np.abs(small - surface).max(axis=-1)
        spread = float(np.clip(1.4826 * np.median(away[near]), 1.0, 6.0))
        near = inside & (away < NEAR * spread)
    return float(weight[near].sum()) / (1 + 0.05 * spread), near, surface


def _followed(picture: np.ndarray, small: np.ndarray, near: np.ndarray, surface: np.ndarray, share: float) -> Ground:
    """The fitted surface at full size, corrected where it is ground for certain, and the spread about it."""
    sure = cv2.erode(near.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)
    if sure.sum() < 30:
        sure = near.astype(np.float32)
    wide = 0.08 * max(small.shape[:2])
    left = ((small - surface) * sure[..., None]).astype(np.float32)
    mass = cv2.GaussianBlur(sure, (0, 0), wide)[..., None]
    correction = cv2.GaussianBlur(left, (0, 0), wide) / (mass + 0.05)
    surface = (surface + correction).astype(np.float32)
    size = picture.shape[1::-1]
    full = cv2.resize(surface, size, interpolation=cv2.INTER_LINEAR)
    certain = cv2.resize(sure, size, interpolation=cv2.INTER_NEAREST)[1::3, 1::3] > 0.5
    return _measured(picture, full, certain, share)


def _measured(
    picture: np.ndarray, surface: np.ndarray, certain: np.ndarray, share: float, evenest: float = EVENEST
) -> Ground:
    """A ground whose spread is that of a picture's certain ground about the surface."""
    left = (picture[1::3, 1::3] - surface[1::3, 1::3])[certain]
    whiten, spread = _whitening(left, evenest)
    away = np.linalg.norm(left @ whiten.T, axis=1)
    reach = float(min(np.quantile(away, 0.99), MOST_REACH * np.median(away)))
    return Ground(surface, whiten, share, spread, reach, certain)


def _whitening(left: np.ndarray, evenest: float) -> tuple[np.ndarray, float]:
    """What makes the ground's spread a unit sphere; wild pixels are cut at three spreads first."""
    scale = np.maximum(1.4826 * np.median(np.abs(left), axis=0), evenest / 3)
    cut = np.clip(left, -3 * scale, 3 * scale)
    values, vectors = np.linalg.eigh(np.cov(cut.T))
    values = np.maximum(values, evenest**2)
    return (vectors / np.sqrt(values)) @ vectors.T, float(np.sqrt(values.mean()))
