"""Shapes fitted by maximum likelihood; a rounded reading counts as the interval it stands for."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.shapes import FAMILIES, Family, Shape

Array = NDArray[np.float64]
_LEAST = 1e-300  # stands for a probability that has underflowed
_FINE = 10.0  # cells a standard deviation when readings are not rounded
_MOST = 400  # cells at most
_SETTLED = 1e-5  # a step of refitting that moves no free parameter by more was the last


@dataclass(frozen=True)
class Fit:
    """
    A shape fitted to `n` readings.

    `step` is the rounding of the readings that the likelihood took into account; None: none.
    """

    shape: Shape
    log_likelihood: float
    n: int
    step: float | None

    @property
    def aic(self) -> float:
        """Akaike's criterion: the smaller, the better the shape for its parameters."""
        return 2 * self.shape.family.free - 2 * self.log_likelihood


@dataclass(frozen=True, eq=False)
class Cells:
    """Readings counted in cells that cover the whole line; `edges` are the inner borders."""

    edges: Array
    counts: Array = field(repr=False)

    @property
    def n(self) -> int:
        """Number of readings."""
        return int(self.counts.sum())


def applies(name: str, readings: ArrayLike, *, step: float | None = None) -> bool:
    """Whether a shape can hold these readings at all: none below zero for the positive ones."""
    x = np.asarray(readings, float)
    if not FAMILIES[name].positive:
        return True
    if step:
        return bool(x.min() > -step / 2)
    return bool(x.min() > 0) or (name in ("folded normal", "half normal") and bool(x.min() >= 0))


def fit(name: str, readings: ArrayLike, *, step: float | None = None) -> Fit:
    """
    The maximum-likelihood shape of one family.

    Parameters
    ----------
    name : str
        A key of `spc.capability.shapes.FAMILIES`.
    readings : array_like, shape (n,)
        At least as many different values as the family has parameters. [unit of the data]
    step : float, optional
        Rounding of the readings: each stands for ``reading ± step/2``. None or 0: not rounded.

    Returns
    -------
    Fit

    Raises
    ------
    ValueError
        Unknown family, too few different readings, or readings the family cannot hold.

    Examples
    --------
    >>> found = fit("normal", [1.0, 2.0, 3.0, 4.0])
    >>> round(found.shape.parameters["mean"], 6), round(found.shape.parameters["sd"] ** 2, 6)
    (2.5, 1.25)
    """
    if name not in FAMILIES:
        raise ValueError(f"{name!r} is no shape here; choose from {', '.join(FAMILIES)}")
    family = FAMILIES[name]
    x = np.asarray(readings, float)
    values, counts = np.unique(x, return_counts=True)
    weight = counts.astype(float)
    if not applies(name, x, step=step):
        raise ValueError(f"a {name} shape cannot hold the reading {x.min():g}")
    if len(values) < 2 or len(values) < family.free:
        raise ValueError(f"{len(values)} different readings are too few for a {name} shape")
    if step:
        low, high = values - step / 2, values + step / 2
        # Each tail from its own side, where probabilities keep their digits.
        half = int(np.searchsorted(np.cumsum(weight), weight.sum() / 2))
        under, over = np.stack([high[:half], low[:half]]), np.stack([low[half:], high[half:]])

        def likelihood(theta: tuple[float, ...]) -> float:
            below, above = family.cdf(under, *theta), family.sf(over, *theta)
            share = np.concatenate([below[0] - below[1], above[0] - above[1]])
            return float(weight @ np.log(np.maximum(share, _LEAST)))
    else:

        def likelihood(theta: tuple[float, ...]) -> float:
            return float(weight @ np.log(np.maximum(family.pdf(values, *theta), _LEAST)))

    start_at = np.maximum(values, step / 4) if step and family.positive else values
    theta = _highest(family, likelihood, family.start(start_at, weight))
    return Fit(Shape(family, theta), likelihood(theta), len(x), step or None)


def cells(readings: ArrayLike, *, step: float | None = None, positive: bool = False) -> Cells:
    """
    Readings counted between borders half-way between steps, or in fine cells without a step.

    Fine cells are a tenth of a standard deviation: they change a fit by less than one part in a
    thousand, and make many refits cheap.
    """
    x = np.asarray(readings, float)
    width = step or float(x.std()) / _FINE
    width *= max(1.0, np.ceil((x.max() - x.min()) / width / _MOST))
    origin = x.min() - width / 2 if step else x.min() - width
    edges = origin + width * np.arange(int(np.ceil((x.max() - origin) / width)) + 1)
    if positive:
        edges = edges[edges > 0]
    counts = np.bincount(np.searchsorted(edges, x), minlength=len(edges) + 1)
    return Cells(edges, counts.astype(float))


def refit(family: Family, grouped: Cells, counts: Array, theta: tuple[float, ...]) -> Array:
    """
    Refit a family to many samples of counts in the same cells, by Fisher scoring.

    Parameters
    ----------
    family : Family
    grouped : Cells
        Its edges are used.
    counts : ndarray, shape (samples, cells)
    theta : tuple of float
        Where to begin: the parameters the samples were drawn from.

    Returns
    -------
    ndarray, shape (samples, parameters)

    Notes
    -----
    A sample is left alone once it has settled; few need all six steps.
    """
    begin = np.asarray(family.search(*theta), float)[None, :]
    free = np.repeat(begin, len(counts), axis=0)
    moving = np.arange(len(counts))
    for turn in range(6):
        # All samples begin at one place, whose slopes serve them all.
        share, slope = _cell_slopes(family, grouped.edges, free[moving] if turn else begin)
        seen = counts[moving]
        pull = np.einsum("scp,sc->sp", slope, seen / share)
        inform = np.swapaxes(slope / share[..., None], 1, 2) @ slope
        step = _scoring_steps(inform * seen.sum(1)[:, None, None], pull)
        free[moving] = np.maximum(free[moving] + np.clip(step, -1.0, 1.0), family.floor)
        moving = moving[np.abs(step).max(1) >= _SETTLED]
        if not len(moving):
            break
    return np.stack(np.broadcast_arrays(*family.parameters_at(*free.T)), -1)


def _scoring_steps(inform: Array, pull: Array) -> Array:
    """Steps of Fisher scoring; a sample that says nothing of the parameters stays where it is."""
    trace = np.trace(inform, axis1=1, axis2=2)
    told = np.isfinite(trace) & (trace > 1e-200) & np.isfinite(pull).all(1)
    step = np.zeros_like(pull)
    ridge = 1e-9 * trace[told, None, None] * np.eye(pull.shape[1])
    step[told] = np.linalg.solve(inform[told] + ridge, pull[told][..., None])[..., 0]
    return step


def cell_shares(family: Family, edges: Array, theta: Array) -> Array:
    """Probability of each cell for parameter sets of shape (samples, parameters)."""
    below = np.asarray(family.cdf(edges, *(t[:, None] for t in theta.T)))
    zeros, ones = np.zeros((len(below), 1)), np.ones((len(below), 1))
    return np.maximum(np.diff(np.concatenate([zeros, below, ones], 1), axis=1), 1e-12)


def _cell_slopes(family: Family, edges: Array, free: Array) -> tuple[Array, Array]:
    """Cell probabilities and their slopes by the free parameters."""

    def shares(at: Array) -> Array:
        theta = np.stack(np.broadcast_arrays(*family.parameters_at(*at.T)), -1)
        return cell_shares(family, edges, theta)

    middle = shares(free)
    slopes = []
    for k in range(free.shape[1]):
        h = np.zeros(free.shape[1])
        h[k] = 1e-4
        slopes.append((shares(free + h) - middle) / 1e-4)
    return middle, np.stack(slopes, -1)


def _highest(
    family: Family, likelihood: Callable[[tuple[float, ...]], float], start: tuple[float, ...]
) -> tuple[float, ...]:
    """Newton's method with damping on the free parameters; slopes by differences."""
    floor = np.asarray(family.floor)

    def height(free: Array) -> float:
        return likelihood(tuple(float(t) for t in family.parameters_at(*free)))

    free = np.maximum(np.asarray(family.search(*start), float), floor)
    best, damping = height(free), 1e-3
    for _ in range(100):
        slope, bend = _slope_and_bend(height, free, best, floor)
        while damping < 1e12:
            scaled = bend + damping * np.diag(np.maximum(np.abs(np.diag(bend)), 1e-6))
            step = np.clip(_solve(scaled, slope), -1.0, 1.0)
            trial = np.maximum(free + step, floor)
            new = height(trial)
            if new >= best:
                break
            damping *= 8
        else:
            break
        moved = float(np.abs(trial - free).max())
        free, best, damping = trial, new, max(damping / 20, 1e-9)
        if moved < 1e-7:
            break
    return tuple(float(t) for t in family.parameters_at(*free))


def _slope_and_bend(
    height: Callable[[Array], float], free: Array, middle: float, floor: Array
) -> tuple[Array, Array]:
    """Gradient and negative Hessian by central differences."""
    p = len(free)
    steps = np.diag(np.full(p, 1e-4))
    at = np.maximum(free, floor + 1e-4)  # differences need room on both sides
    middle = middle if np.array_equal(at, free) else height(at)
    up = np.array([height(at + s) for s in steps])
    down = np.array([height(at - s) for s in steps])
    slope = (up - down) / 2e-4
    bend = np.diag(-(up - 2 * middle + down) / 1e-8)
    for i in range(p):
        for j in range(i):
            both = height(at + steps[i] + steps[j]) + height(at - steps[i] - steps[j])
            mixed = both - up[i] - down[i] - up[j] - down[j] + 2 * middle
            bend[i, j] = bend[j, i] = -mixed / 2e-8
    return slope, bend


def _solve(matrix: Array, right: Array) -> Array:
    try:
        return np.asarray(np.linalg.solve(matrix, right))
    except np.linalg.LinAlgError:
        return np.asarray(right / np.maximum(np.abs(np.diag(matrix)), 1e-12))
