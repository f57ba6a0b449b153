"""Sums of what exceeds the level: for small lasting shifts, and for when they began."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from spc.charts.limits import Base, Flags, Floats, FrozenLimits
from spc.charts.shewhart import BaseSpan, level_and_spread

#: Tuned to a shift of one sigma; h then cries wolf once in 370 points on average, as three-sigma
#: limits do (D. M. Hawkins 1993, J. Quality Technology 25; recomputed in `run_length`).
K, H = 0.5, 4.77
# Sums are formed block by block: it keeps them small, hence exact, and in the fast memory.
_BLOCK = 1 << 15


@dataclass(frozen=True)
class Shift:
    """
    A lasting shift that a sum has shown.

    Attributes
    ----------
    began, seen : int
        Position of the first point after the sum last stood at zero, and of the point that
        passed the limit.
    side : int
        +1 upwards, -1 downwards.
    level : float
        Where the process has been since, on average.
    """

    began: int
    seen: int
    side: int
    level: float


@dataclass(frozen=True, eq=False)
class CusumChart:
    """
    An upward and a downward sum with their limit.

    Attributes
    ----------
    values : ndarray, shape (n,)
        The points themselves.
    up, down : ndarray, shape (n,)
        The sums, both counted positive; NaN at a missing point. [unit of the data]
    limit, allowance : float
        ``h * sigma`` and ``k * sigma``, of a plotted point. [unit of the data]
    center, sigma : float
        Level, and standard deviation of single parts.
    k, h, head_start : float
        In standard errors of a plotted point.
    base : Base or None
        Where level and sigma come from; None when they were given.
    """

    values: Floats
    up: Floats
    down: Floats
    limit: float
    allowance: float
    center: float
    sigma: float
    k: float
    h: float
    head_start: float
    base: Base | None

    @property
    def beyond(self) -> Flags:
        """Where either sum is past its limit, shape (n,)."""
        return (self.up > self.limit) | (self.down > self.limit)

    @property
    def plain(self) -> Floats:
        """Running sum of all distances from the level, without resets, shape (n,)."""
        return np.cumsum(np.nan_to_num(self.values - self.center))

    @property
    def shifts(self) -> tuple[Shift, ...]:
        """Each shift shown, in order of when it was seen."""
        both = [*self._shifts(self.up, +1), *self._shifts(self.down, -1)]
        return tuple(sorted(both, key=lambda shift: shift.seen))

    def _shifts(self, total: Floats, side: int) -> list[Shift]:
        past = total > self.limit
        zero = np.flatnonzero(total == 0)
        seen = np.flatnonzero(past)
        if not len(seen):
            return []
        # The first point past the limit in each stretch between zeros.
        stretch = np.searchsorted(zero, seen)
        seen = seen[np.concatenate([[True], np.diff(stretch) > 0])]
        stretch = np.searchsorted(zero, seen)
        began = np.where(stretch > 0, zero[stretch - 1] + 1 if len(zero) else 0, 0)
        return [
            self._shift(total, int(start), int(at), side)
            for start, at in zip(began, seen, strict=True)
        ]

    def _shift(self, total: Floats, began: int, seen: int, side: int) -> Shift:
        points = np.count_nonzero(~np.isnan(total[began : seen + 1]))
        # A head start that never reached zero is no part of the shift.
        gained = total[seen] - (self.head_start * self.limit / self.h if began == 0 else 0.0)
        level = self.center + side * (self.allowance + gained / points)
        return Shift(began, seen, side, float(level))

    def to_frame(self) -> Any:
        """One row a point, as a pandas DataFrame: value, up, down, limit, beyond."""
        import pandas as pd

        return pd.DataFrame(
            {
                "value": self.values,
                "up": self.up,
                "down": self.down,
                "limit": self.limit,
                "beyond": self.beyond,
            }
        )


def cusum_chart(
    x: ArrayLike,
    *,
    k: float = K,
    h: float = H,
    head_start: float = 0.0,
    center: float | None = None,
    sigma: float | None = None,
    size: int = 1,
    base: BaseSpan = None,
    frozen: FrozenLimits | None = None,
) -> CusumChart:
    """
    Tabular sums of what lies more than k sigma above, and below, the level.

    Parameters
    ----------
    x : array_like, shape (n,)
        One value a part, or means of `size` parts, in grinding order; NaN is missing and adds
        nothing. [µm]
    k, h : float
        Allowance, half the shift to be found soonest, and limit, in standard errors of a point.
        With ``sigma=1`` they are in the unit of the data.
    head_start : float
        Where both sums begin, in standard errors; half of `h` finds a bad start sooner [1]_.
    center, sigma, size, base, frozen
        As for `ewma.ewma_chart`.

    Returns
    -------
    CusumChart
        Sums go on after a signal; nothing is reset.

    References
    ----------
    .. [1] J. M. Lucas and R. B. Crosier (1982), Technometrics 24, 199-205.
    .. [2] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3.

    Examples
    --------
    >>> chart = cusum_chart([1.0, 2.0, 0.0, 3.0], center=0.0, sigma=1.0, k=0.5, h=3.0)
    >>> chart.up
    array([0.5, 2. , 1.5, 4. ])
    >>> chart.shifts
    (Shift(began=0, seen=3, side=1, level=1.5),)
    """
    x = np.asarray(x, dtype=float)
    if not h > 0 or not 0 <= head_start <= h:
        raise ValueError(
            f"limit {h:g} and head start {head_start:g}: a limit above 0, and a start from "
            "0 to the limit, are needed"
        )
    given = level_and_spread(x, center=center, sigma=sigma, size=size, base=base, frozen=frozen)
    unit = given.sigma / math.sqrt(size)
    up, down = _both(x, given.center, k * unit, head_start * unit)
    return CusumChart(
        x,
        up,
        down,
        limit=h * unit,
        allowance=k * unit,
        center=given.center,
        sigma=given.sigma,
        k=k,
        h=h,
        head_start=head_start,
        base=given.base,
    )


def _both(x: Floats, center: float, allowance: float, start: float) -> tuple[Floats, Floats]:
    up, down = np.empty(len(x)), np.empty(len(x))
    now_up = now_down = start
    for first in range(0, len(x), _BLOCK):
        part = x[first : first + _BLOCK] - center
        missing = np.isnan(part)
        some_missing = missing.any()
        if some_missing:
            part = np.where(missing, 0.0, part)
        # A missing point takes no allowance either.
        taken = np.where(missing, 0.0, allowance) if some_missing else allowance
        stretch = slice(first, first + _BLOCK)
        now_up = _reflected(part - taken, now_up, up[stretch])
        now_down = _reflected(-part - taken, now_down, down[stretch])
        if some_missing:
            up[stretch][missing] = np.nan
            down[stretch][missing] = np.nan
    return up, down


def _reflected(step: Floats, start: float, out: Floats) -> float:
    """Running ``max(0, sum + step)``: the free sum less its lowest point below zero so far."""
    np.cumsum(step, out=step)
    step += start
    lowest = np.minimum.accumulate(step)
    np.minimum(lowest, 0.0, out=lowest)
    np.subtract(step, lowest, out=out)
    return float(out[-1])
