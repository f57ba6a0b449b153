"""Run length by simulation: for patterns of order, and as a witness of what is computed."""

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from spc.charts.patterns import Pattern
from spc.charts.signals import completed

Floats = NDArray[np.float64]
_BLOCK = 128


def of_patterns(
    patterns: tuple[Pattern, ...],
    shift: float = 0.0,
    *,
    runs: int,
    seed: int,
    drift: float = 0.0,
) -> Floats:
    """
    Points to the first signal of some patterns, in independent normal series.

    Parameters
    ----------
    patterns : tuple of Pattern
        Watched together from the first point on.
    shift : float
        Of the process, in standard errors of a plotted point.
    runs, seed : int
        Series simulated, and the seed they are drawn from.
    drift : float
        Of the process, in standard errors a point, from the first point on.

    Returns
    -------
    ndarray of float, shape (runs,)
    """
    kept = max(pattern.among for pattern in patterns) - 1
    rng = np.random.default_rng(seed)
    before = np.empty((runs, 0))
    length = np.zeros(runs)
    going, ground = np.arange(runs), np.arange(1, _BLOCK + 1)
    while len(going):
        new = rng.standard_normal((len(going), _BLOCK)) + (shift + drift * ground)
        ground = ground + _BLOCK
        z = np.concatenate([before, new], axis=1)
        hit = np.zeros(z.shape, dtype=bool)
        for pattern in patterns:
            for _, made in completed(z, pattern):
                hit |= made
        hit = hit[:, -_BLOCK:]
        over = hit.any(axis=1)
        length[going] += np.where(over, hit.argmax(axis=1) + 1, _BLOCK)
        going, before = going[~over], z[~over][:, max(0, z.shape[1] - kept) :]
    return length


def of_statistic(
    step: Callable[[Floats, Floats], Floats],
    outside: Callable[[Floats, int], NDArray[np.bool_]],
    start: Floats,
    shift: float = 0.0,
    *,
    runs: int,
    seed: int,
) -> Floats:
    """
    Points until a running statistic leaves its limits, in independent normal series.

    Parameters
    ----------
    step : callable
        ``step(now, point)``: the statistic after a point, one row a series.
    outside : callable
        ``outside(now, number)``: whether it is outside after that many points.
    start : ndarray, shape (parts,)
        The statistic before the first point, as many numbers as it has parts.

    Returns
    -------
    ndarray of float, shape (runs,)
    """
    rng = np.random.default_rng(seed)
    now = np.tile(np.asarray(start, dtype=float), (runs, 1))
    length = np.zeros(runs)
    going, number = np.arange(runs), 0
    while len(going):
        number += 1
        now = step(now, rng.standard_normal((len(going), 1)) + shift)
        over = outside(now, number)
        length[going[over]] = number
        going, now = going[~over], now[~over]
    return length


def mean_and_error(length: Floats) -> tuple[float, float]:
    """Mean run length, and the standard error of it."""
    return float(length.mean()), float(length.std(ddof=1)) / math.sqrt(len(length))
