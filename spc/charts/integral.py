"""Run length of weighted means and of sums, by the integral equations their values obey."""

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def weighted_mean(
    weight: float, times: float, shift: float = 0.0, *, growing: bool = False
) -> float:
    """
    Mean run length of a two-sided weighted mean that starts on the centre.

    Parameters
    ----------
    weight : float
        Weight of the newest point, above 0 and up to 1.
    times : float
        Limits stand so many standard errors of the weighted mean from the centre.
    shift : float
        Of the process, in standard errors of a plotted point, from the first point on.
    growing : bool
        Limits follow the exact standard error from the first point; otherwise they stand
        where it ends up.

    Returns
    -------
    float
        Points.

    References
    ----------
    .. [1] S. V. Crowder (1987), Technometrics 29, 401-407.

    Examples
    --------
    >>> round(weighted_mean(0.5, 3.0), 2)
    397.46
    """
    if not 0 < weight <= 1 or not times > 0:
        raise ValueError(f"weight {weight:g}, limits at {times:g}: 0 to 1, and above 0, are needed")
    final = times * math.sqrt(weight / (2 - weight))
    nodes, gauss = _gauss(2 * final / weight)

    def ahead(reach: float, now: Floats) -> Floats:
        """Chance density of the next value inside `reach`, shape (now, nodes)."""
        after = (nodes * reach - (1 - weight) * now[:, None]) / weight - shift
        return _density(after) * gauss * reach / weight

    length = np.linalg.solve(np.eye(len(nodes)) - ahead(final, nodes * final), np.ones(len(nodes)))
    if not growing or weight == 1:
        return float(1 + ahead(final, np.zeros(1))[0] @ length)
    # Backwards from where the limits have stopped growing to the first point.
    points = math.ceil(math.log(1e-13) / (2 * math.log(1 - weight)))
    reach = [final * math.sqrt(-math.expm1(2 * t * math.log(1 - weight))) for t in range(points)]
    beyond = final
    for inside in reversed(reach[1:]):
        length = 1 + ahead(beyond, nodes * inside) @ length
        beyond = inside
    return float(1 + ahead(beyond, np.zeros(1))[0] @ length)


def sum_up(k: float, h: float, shift: float = 0.0, *, head_start: float = 0.0) -> float:
    """
    Mean run length of a one-sided sum ``max(0, sum + point - k)`` with limit `h`.

    Parameters
    ----------
    k, h : float
        Reference value and limit, in standard errors of a plotted point.
    shift : float
        Of the process, from the first point on.
    head_start : float
        Where the sum begins, from 0 to `h`.

    Returns
    -------
    float
        Points.

    References
    ----------
    .. [1] J. M. Lucas and R. B. Crosier (1982), Technometrics 24, 199-205.

    Examples
    --------
    >>> round(sum_up(0.5, 5.0), 1)
    930.9
    """
    if not h > 0 or not 0 <= head_start <= h:
        raise ValueError(
            f"limit {h:g} and head start {head_start:g}: a limit above 0, and a start from "
            "0 to the limit, are needed"
        )
    nodes, gauss = _gauss(h)
    at = (nodes + 1) * h / 2

    def ahead(now: Floats) -> Floats:
        """Chance of falling to 0, then density over the nodes, shape (now, 1 + nodes)."""
        to_zero = _below(k - shift - now)
        return np.column_stack([to_zero, _density(at + k - shift - now[:, None]) * gauss * h / 2])

    start = np.concatenate([[0.0], at])
    length = np.linalg.solve(np.eye(len(start)) - ahead(start), np.ones(len(start)))
    return float(1 + ahead(np.array([head_start]))[0] @ length)


def both_sums(k: float, h: float, shift: float = 0.0, *, head_start: float = 0.0) -> float:
    """
    Mean run length of an upward and a downward sum watched together.

    Exact as long as both cannot be near their limits at once, which `k` above 0 sees to [1]_.

    Parameters
    ----------
    k, h, shift, head_start
        As for `sum_up`; both sums begin at `head_start`.

    References
    ----------
    .. [1] J. M. Lucas and R. B. Crosier (1982), Technometrics 24, 199-205.

    Examples
    --------
    >>> round(both_sums(0.5, 4.0), 1)
    167.7
    """
    up, down = sum_up(k, h, shift), sum_up(k, h, -shift)
    if not head_start:
        return 1 / (1 / up + 1 / down)
    ahead_up = sum_up(k, h, shift, head_start=head_start)
    ahead_down = sum_up(k, h, -shift, head_start=head_start)
    return (ahead_up * down + up * ahead_down - up * down) / (up + down)


def values_and_ranges(
    limit: float, range_limit: float, shift: float = 0.0, *, ratio: float = 1.0
) -> float:
    """
    Mean run length of single values and their moving ranges watched together.

    Parameters
    ----------
    limit, range_limit : float
        Of values, either side of the centre, and of the step between neighbours, in sigmas;
        infinite ones watch the other alone.
    shift : float
        Of the process, in sigmas, from the first value on.
    ratio : float
        Sigma as a multiple of the one limits were drawn from.

    Returns
    -------
    float
        Points, good to three digits: the kernel has jumps, which the grid follows.

    References
    ----------
    .. [1] S. V. Crowder (1987), Computation of ARL for combined individual measurement and
       moving range charts, J. Quality Technology 19, 98-102 (from memory).

    Examples
    --------
    >>> round(values_and_ranges(3.0, math.inf), 1)
    370.4
    """
    # Beyond seven sigmas on either side nothing is left to integrate.
    low, high = (np.clip([-limit, limit], shift - 7 * ratio, shift + 7 * ratio)).tolist()
    nodes, gauss = _legendre(_JUMPY)
    at = low + (nodes + 1) * (high - low) / 2
    weight = _density((at - shift) / ratio) / ratio * gauss * (high - low) / 2
    # Each node stands for a short stretch; a stretch that the range limit cuts counts in part.
    edges = np.concatenate([[low], (at[1:] + at[:-1]) / 2, [high]])
    first, last = at[:, None] - range_limit, at[:, None] + range_limit
    inside = np.minimum(edges[1:], last) - np.maximum(edges[:-1], first)
    part = np.clip(inside / np.diff(edges), 0.0, 1.0)
    length = np.linalg.solve(np.eye(len(at)) - part * weight, np.ones(len(at)))
    return float(1 + weight @ length)


# Nodes for a kernel with jumps: twice as many move the fourth digit.
_JUMPY = 250


def limit_for(length: float, mean_at: Callable[[float], float], *, most: float = 60.0) -> float:
    """
    The limit at which `mean_at` gives a mean run length.

    Examples
    --------
    >>> round(limit_for(370.0, lambda h: both_sums(0.5, h)), 2)
    4.77
    """
    from scipy.optimize import brentq

    if length <= 1:
        raise ValueError(f"mean run length {length:g}: more than 1 point is needed")
    low = high = 0.5
    while mean_at(high) < length:
        low, high = high, min(1.25 * high, most)
        if low == high:
            raise ValueError(f"mean run length {length:g} is beyond what limits up to {most} give")
    while mean_at(low) > length:
        low *= 0.7
    return float(brentq(lambda at: mean_at(at) - length, low, high, xtol=1e-10, rtol=1e-12))


def _gauss(width: float) -> tuple[Floats, Floats]:
    # The kernel is a normal density: three nodes a standard deviation, and a few more, leave
    # relative errors below 1e-9 (against twice as many).
    return _legendre(min(600, 30 + 3 * math.ceil(width)))


@lru_cache(maxsize=64)
def _legendre(nodes: int) -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(nodes)


def _density(x: Floats) -> Floats:
    return np.exp(-0.5 * x * x) / math.sqrt(2 * math.pi)


def _below(x: Floats) -> Floats:
    flat = (-x / math.sqrt(2)).tolist()
    return 0.5 * np.fromiter(map(math.erfc, flat), float, len(flat))
