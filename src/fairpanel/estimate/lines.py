"""A straight line through points, with what is needed to read it backwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Line:
    """Least squares line y = intercept + slope x, all points counting alike.

    Parameters
    ----------
    intercept, slope : float
    covariance : (2, 2) array
        Of intercept and slope.
    residual_sd : float
        Standard deviation of the points about the line.
    dof : int
        Points less two.
    x_mean, sxx : float
        Mean of the x, and the sum of squares about it.
    """

    intercept: float
    slope: float
    covariance: np.ndarray
    residual_sd: float
    dof: int
    x_mean: float
    sxx: float

    @property
    def points(self) -> int:
        """Number of points."""
        return self.dof + 2

    def at(self, x):
        """Height of the line at x."""
        return self.intercept + self.slope * np.asarray(x, float)

    def uncertainty_at(self, x):
        """Standard uncertainty of the height of the line at x."""
        x = np.asarray(x, float)
        return self.residual_sd * np.sqrt(1 / self.points + (x - self.x_mean) ** 2 / self.sxx)


def straight_line(x, y) -> Line:
    """Least squares line through points.

    Parameters
    ----------
    x, y : (n,) arrays
        Centred before anything is squared, so that many equal leading digits do no harm.

    Raises
    ------
    ValueError
        Fewer than three points, or all at one x.

    Examples
    --------
    >>> line = straight_line([0.0, 1.0, 2.0], [1.0, 3.1, 4.9])
    >>> round(line.slope, 6), round(line.intercept, 6), line.dof
    (1.95, 1.05, 1)
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if len(x) < 3:
        raise ValueError(f"A line with its uncertainty needs at least three points; there are {len(x)}.")
    x_mean, y_mean = x.mean(), y.mean()
    off = x - x_mean
    sxx = float(off @ off)
    if not sxx > 0:
        raise ValueError(f"All {len(x)} points lie at x = {x_mean:g}; a line needs at least two different x.")
    slope = float(off @ (y - y_mean)) / sxx
    residuals = (y - y_mean) - slope * off
    variance = float(residuals @ residuals) / (len(x) - 2)
    covariance = variance * np.array([[1 / len(x) + x_mean**2 / sxx, -x_mean / sxx], [-x_mean / sxx, 1 / sxx]])
    return Line(
        intercept=float(y_mean - slope * x_mean),
        slope=slope,
        covariance=covariance,
        residual_sd=float(np.sqrt(variance)),
        dof=len(x) - 2,
        x_mean=float(x_mean),
        sxx=sxx,
    )


def pooled_with(line: Line, readings) -> tuple[float, int]:
    """Residual sd and degrees of freedom of the line's points and several new readings of one specimen
    together.

    Parameters
    ----------
    line : Line
    readings : (m,) array
        Their scatter about their own mean is pooled with that of the points about the line.
    """
    readings = np.asarray(readings, float)
    dof = line.dof + len(readings) - 1
    squares = line.residual_sd**2 * line.dof + np.sum((readings - readings.mean()) ** 2)
    return float(np.sqrt(squares / dof)), dof
