"""Damped least squares over a batch laid out as one axis: what `fitting` does with the numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Model = Callable[..., np.ndarray]

#: Half width of the difference that stands for a derivative, relative to the parameter: cube root of the
#: rounding.
DIFFERENCE = float(np.cbrt(np.finfo(float).eps))

#: Smallest eigenvalue of the scaled normal matrix at which all parameters still count as fixed by the data.
#: Among the NIST StRD sets the worst is MGH10 with 3.5e-7; rounding alone leaves about 1e-15.
LEAST_EIGENVALUE = 1e-12


@dataclass(frozen=True)
class Task:
    model: Model
    jacobian: Model | None
    shape: tuple[int, ...]
    start: np.ndarray  # (m, p)
    observed: np.ndarray  # (m, n), 0 where missing
    weight: np.ndarray  # (m, n), or (m, n, n) whitening matrices
    prior_mean: np.ndarray  # (m, p)
    prior_weight: np.ndarray  # (m, p), 1 / sd^2
    per_member: tuple[np.ndarray, ...]
    dof: np.ndarray  # (m,)
    scaled: bool

    def whitened(self, values: np.ndarray, members: np.ndarray) -> np.ndarray:
        """(k, n) or (k, n, p) array in units of the standard uncertainties."""
        w = self.weight[members]
        if self.weight.ndim == 3:
            return w @ values if values.ndim == 3 else (w @ values[..., None])[..., 0]
        return w[..., None] * values if values.ndim == 3 else w * values

    def residuals(self, parameters: np.ndarray, members: np.ndarray) -> np.ndarray:
        """(k, n) array, whitened."""
        fitted = self.model(parameters, *(a[members] for a in self.per_member))
        return self.whitened(self.observed[members] - fitted, members)

    def sums(self, parameters: np.ndarray, residuals: np.ndarray, members: np.ndarray) -> np.ndarray:
        """(k,) array: what is minimised; infinite where the model is not finite."""
        off = parameters - self.prior_mean[members]
        total = np.einsum("kn,kn->k", residuals, residuals)
        total += np.einsum("kp,kp->k", off * off, self.prior_weight[members])
        return np.where(np.isfinite(total), total, np.inf)

    def slopes(self, parameters: np.ndarray, members: np.ndarray) -> np.ndarray:
        """(k, n, p) array: derivatives of the model, not whitened."""
        more = tuple(a[members] for a in self.per_member)
        if self.jacobian is not None:
            return np.broadcast_to(
                self.jacobian(parameters, *more), (len(members), self.observed.shape[1], self.start.shape[1])
            )
        p = parameters.shape[1]
        usual = np.where(self.start[members] != 0, np.abs(self.start[members]), 1.0)
        half = DIFFERENCE * np.maximum(np.abs(parameters), 0.01 * usual)
        offsets = np.zeros((p, *parameters.shape))
        offsets[np.arange(p), :, np.arange(p)] = half.T
        up, down = parameters + offsets, parameters - offsets
        change = self.model(up, *more) - self.model(down, *more)
        width = np.einsum("ikp->ik", up - down)
        return np.moveaxis(change / width[..., None], 0, -1)

    def normal(self, parameters: np.ndarray, residuals: np.ndarray, members: np.ndarray):
        """Normal matrix (k, p, p) and right side (k, p)."""
        j = self.whitened(self.slopes(parameters, members), members)
        prior = self.prior_weight[members]
        matrix = np.swapaxes(j, 1, 2) @ j
        matrix[:, np.arange(j.shape[2]), np.arange(j.shape[2])] += prior
        right = np.einsum("knp,kn->kp", j, residuals) + prior * (self.prior_mean[members] - parameters)
        return matrix, right


def make_task(model, start, observed, uncertainty, covariance, prior_mean, prior_sd, jacobian, per_member, scaled):
    start, observed = np.asarray(start, float), np.asarray(observed, float)
    extra = [np.shape(a)[:-1] for a in (uncertainty, prior_mean, prior_sd) if a is not None]
    if covariance is not None:
        extra.append(np.shape(covariance)[:-2])
    shape = np.broadcast_shapes(start.shape[:-1], observed.shape[:-1], *extra)
    n, p, m = observed.shape[-1], start.shape[-1], int(np.prod(shape))

    def flat(a, *tail):
        return np.broadcast_to(np.asarray(a, float), (*shape, *tail)).reshape(m, *tail)

    seen = flat(observed, n)
    there = np.isfinite(seen)
    if (prior_mean is None) != (prior_sd is None):
        raise ValueError("A prior needs both a mean and a standard deviation.")
    sd = flat(np.inf if prior_sd is None else prior_sd, p)
    if np.any(np.isfinite(sd)) and uncertainty is None and covariance is None:
        raise ValueError("Priors need the uncertainty of the observations: without it the two cannot be weighed.")
    if not np.all(sd > 0):
        raise ValueError("Standard deviations of priors must be above zero; fix a parameter inside the model.")
    dof = there.sum(1) + np.isfinite(sd).sum(1) - p
    if m and np.all(dof < 0):
        raise ValueError(f"{p} parameters need at least as many observations and priors; there are {p + dof.max()}.")
    return Task(
        model=model,
        jacobian=jacobian,
        shape=shape,
        start=flat(start, p),
        observed=np.where(there, seen, 0.0),
        weight=_weights(uncertainty, covariance, there, flat),
        prior_mean=np.where(np.isfinite(sd), flat(0.0 if prior_mean is None else prior_mean, p), 0.0),
        prior_weight=1.0 / sd**2,
        per_member=tuple(np.asarray(a).reshape(m, *np.shape(a)[len(shape) :]) for a in per_member),
        dof=dof,
        scaled=(uncertainty is None and covariance is None) if scaled is None else scaled,
    )


def _weights(uncertainty, covariance, there: np.ndarray, flat) -> np.ndarray:
    n = there.shape[1]
    if uncertainty is not None and covariance is not None:
        raise ValueError("Give either the uncertainties of the observations or their covariance, not both.")
    if covariance is not None:
        if not np.all(there):
            raise ValueError("Missing observations cannot be combined with a covariance; leave them out of both.")
        lower = np.linalg.cholesky(flat(covariance, n, n))
        return np.linalg.solve(lower, np.broadcast_to(np.eye(n), lower.shape))
    u = flat(1.0 if uncertainty is None else uncertainty, n)
    if not np.all(u[there] > 0):
        raise ValueError("Standard uncertainties must be above zero.")
    return np.where(there, 1.0 / np.where(there, u, 1.0), 0.0)


def descend(task: Task, most_steps: int, settled: float) -> tuple[np.ndarray, int]:
    """Parameters (m, p) where each member's descent ended, for any reason, and the steps of the slowest."""
    at, everyone = task.start.copy(), np.arange(len(task.start))
    residuals = task.residuals(at, everyone)
    sums = task.sums(at, residuals, everyone)
    floor = 1e-26 * np.einsum("kn,kn->k", *[task.whitened(task.observed, everyone)] * 2)
    matrix, right = task.normal(at, residuals, everyone)
    largest = np.zeros_like(at)
    damping, growth = np.full(len(at), 1e-3), np.full(len(at), 2.0)
    active = everyone[np.isfinite(sums)]
    step = 0
    while len(active) and step < most_steps:
        step += 1
        move, promised, scale = _move(matrix[active], right[active], damping[active], largest[active])
        largest[active] = scale
        tried = at[active] + move
        new = task.residuals(tried, active)
        new_sums = task.sums(tried, new, active)
        gain = (sums[active] - new_sums) / promised
        better = (new_sums < sums[active]) & (promised > 0)
        _update_damping(damping, growth, active, gain, better)
        still = _unsettled(promised, settled * (sums[active] + floor[active]), move, tried, damping[active])
        won = active[better]
        at[won], residuals[won], sums[won] = tried[better], new[better], new_sums[better]
        moved = active[still & better]
        if len(moved):
            matrix[moved], right[moved] = task.normal(at[moved], residuals[moved], moved)
        active = active[still]
    return at, step


def _move(matrix, right, damping, largest):
    """Damped step, the decrease it promises, and the scale used. Shapes (k, p), (k,), (k, p)."""
    diagonal = np.einsum("kpp->kp", matrix)
    scale = np.maximum(np.sqrt(diagonal), largest)
    unit = np.where(scale > 0, scale, 1.0)
    p = right.shape[1]
    scaled = matrix / (unit[:, :, None] * unit[:, None, :])
    scaled[:, np.arange(p), np.arange(p)] += np.maximum(damping, 1e-14)[:, None]
    scaled = np.where(np.isfinite(scaled).all((1, 2))[:, None, None], scaled, np.eye(p))
    move = np.linalg.solve(scaled, (right / unit)[..., None])[..., 0]
    promised = np.einsum("kp,kp->k", move, right / unit + damping[:, None] * move)
    return move / unit, promised, scale


def _update_damping(damping, growth, active, gain, better):
    won, lost = active[better], active[~better]
    damping[won] *= np.clip(1 - (2 * gain[better] - 1) ** 3, 1 / 3, 2)
    growth[won] = 2.0
    damping[lost] *= growth[lost]
    growth[lost] *= 2


def _unsettled(promised, little, move, tried, damping) -> np.ndarray:
    """(k,) array of bool: worth another step. A small promise counts only while the damping is small."""
    small = (promised <= little) & (damping < 1e-2)
    tiny = np.all(np.abs(move) <= 1e-15 * np.abs(tried), axis=1)
    return ~small & ~tiny & (damping < 1e16) & np.isfinite(damping) & np.isfinite(promised)


def curvature(matrix: np.ndarray, right: np.ndarray):
    """Inverse of the normal matrix, whether it has one, and the decrease an undamped step would bring."""
    scale = np.sqrt(np.einsum("kpp->kp", matrix))
    fine = np.isfinite(matrix).all((1, 2)) & (scale > 0).all(1)
    unit = np.where(fine[:, None], scale, 1.0)
    scaled = np.where(fine[:, None, None], matrix / (unit[:, :, None] * unit[:, None, :]), np.eye(right.shape[1]))
    size, vectors = np.linalg.eigh(scaled)
    identified = fine & (size[:, 0] > LEAST_EIGENVALUE)
    rows = vectors / np.sqrt(np.where(size > LEAST_EIGENVALUE, size, np.inf))[:, None, :] / unit[:, :, None]
    to_go = np.einsum("kpq,kp->kq", rows, right)
    return rows @ np.swapaxes(rows, 1, 2), identified, np.einsum("kq,kq->k", to_go, to_go)
