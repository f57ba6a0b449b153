"""Cost per part against the dress interval: a cycle's parts, the best interval, its bounds."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.adviser.loss import Stakes

Floats = NDArray[np.float64]

#: Intervals that cost no more than this share above the least are as good as the best.
FLAT = 0.05
#: Stretches that a cycle is gone through in at most; a short cycle goes part by part. Own choice.
_MOST_STRETCHES = 200
#: Distance between the offsets tried, and how far from the middle of the limits a level is let.
#: [half widths] Own choice.
_PITCH, _REACH = 0.04, 1.0


def cycle_costs(
    levels: Floats, spreads: Floats, first: Floats, stakes: Stakes, *, every: int
) -> Floats:
    """
    Least expected cost of the sizes of a dress cycle, up to every age at which it may end.

    Parameters
    ----------
    levels : ndarray, shape (m, n)
        Level that a wheel brings by its age, offsets taken out, of m processes. [half widths]
    spreads : ndarray, shape (m, n)
        Spread of parts about their level. [half widths]
    first : ndarray, shape (m,)
        Spread of the first part, ground before anybody knows what the dress did.
    stakes : Stakes
        Limits and prices.
    every : int
        Parts from one check to the next: offsets can be made after a check only.

    Returns
    -------
    ndarray, shape (m, n)
        Cost of a cycle that ends after the first, second ... n-th part: the dress, the offset after
        it, parts off target and outside, and further offsets where they pay.

    Notes
    -----
    With ``F_a(r)`` the least cost of the first ``a`` parts that leaves the register at ``r``,
    ``F_{a+1}(r) = min(F_a(r), C_offset + min F_a) + loss(r + level_{a+1}, spread_{a+1})``:
    dynamic programming on the offsets in force (Bellman 1957, from memory), which a known course of
    the wear needs no look ahead for.
    """
    count = levels.shape[1]
    stride = -(-count // _MOST_STRETCHES)
    low, high = -_REACH - levels.max(), _REACH - levels.min()
    register = np.linspace(low, high, 2 + int((high - low) / _PITCH))
    begun = stakes.loss(register + levels[:, :1], first[:, None]).min(axis=1)
    begun += stakes.dress + stakes.offset
    so_far = np.tile(begun[:, None], len(register))
    ends, totals = [1], [begun]
    for start in range(1, count, stride):
        end = min(start + stride, count)
        middle = (start + end - 1) // 2
        # What is made of the first part is the offset after the dress.
        if start > 1 and start // every > ends[-2] // every:
            moved = so_far.min(axis=1, keepdims=True) + stakes.offset
            so_far = np.minimum(so_far, moved)
        parts = stakes.loss(register + levels[:, middle, None], spreads[:, middle, None])
        so_far = so_far + (end - start) * parts
        ends.append(end)
        totals.append(so_far.min(axis=1))
    told = np.stack(totals, axis=1)
    ages = np.arange(1, count + 1)
    return np.stack([np.interp(ages, ends, row) for row in told])


@dataclass(frozen=True, eq=False)
class DressInterval:
    """
    Cost per part against the dress interval, and how flat its bottom is.

    `intervals` in parts and `costs` in the plan's currency, shape (n,); from `flat_from` to
    `flat_to` parts nothing costs more than 5 % above the best.
    """

    intervals: Floats
    costs: Floats
    best: int
    flat_from: int
    flat_to: int
    open_ended: bool  # the cost still falls at the longest interval: the best lies beyond

    @property
    def least(self) -> float:
        """Cost per part at the best interval."""
        return float(self.costs.min())


def dress_interval(totals: ArrayLike) -> DressInterval:
    """
    The dress interval of least cost per part.

    Parameters
    ----------
    totals : array_like, shape (n,)
        Expected cost of a cycle of 1, 2 ... n parts, its dress included.

    Notes
    -----
    Renewal reward: an interval of n parts costs ``totals[n - 1] / n`` a part, and the best n is
    where the next part costs as much as the average so far (Barlow and Proschan, Mathematical
    Theory of Reliability, 1965, from memory).

    Examples
    --------
    >>> dress_interval(1.8 + np.cumsum([0.1 * n for n in range(1, 13)])).best
    6
    """
    cost = np.asarray(totals, dtype=float)
    if cost.ndim != 1 or cost.size == 0:
        raise ValueError("totals must be a row of at least one cost")
    intervals = np.arange(1, cost.size + 1, dtype=float)
    costs = cost / intervals
    best = int(np.argmin(costs))
    near = np.flatnonzero(costs <= (1 + FLAT) * costs[best] + 1e-12)
    return DressInterval(
        intervals=intervals,
        costs=costs,
        best=best + 1,
        flat_from=int(near[0]) + 1,
        flat_to=int(near[-1]) + 1,
        open_ended=best == costs.size - 1,
    )


@dataclass(frozen=True, eq=False)
class DressCosts:
    """
    What a run's dress cycles say of the cost per part against the dress interval.

    Attributes
    ----------
    interval : DressInterval or None
        From one part per dress to the oldest wheel that the run tells of; None: not enough yet,
        and `not_enough` says why.
    lower, upper : ndarray, shape (n,)
        95 % bounds of the costs, from refits to cycles drawn at random.
    best_lower, best_upper : int
        Of the best interval; `best_upper` may be the longest interval known.
    open_share : float
        Share of refits whose cost still falls there.
    cycles : int
        Finished dress cycles behind it.
    form : tuple of str
        Features of form and finish whose growth with age is counted.
    resets_size, clears_offsets, inferred : bool
        Whether a dress takes the wear out of the size and the control takes back the offsets; the
        last: the plan does not say all of it and the steps of the run did.
    """

    interval: DressInterval | None = None
    lower: Floats | None = None
    upper: Floats | None = None
    best_lower: int = 0
    best_upper: int = 0
    open_share: float = 0.0
    cycles: int = 0
    form: tuple[str, ...] = ()
    not_enough: str = ""
    resets_size: bool = True
    clears_offsets: bool = True
    inferred: bool = False
    refits: Floats | None = field(default=None, repr=False)  # costs, shape (refits, n)

    def more_at(self, parts: int) -> tuple[float, float, float]:
        """How much more than at the best an interval costs, with the 95 % bounds of that."""
        if self.interval is None or self.refits is None:
            raise ValueError(self.not_enough)
        best, costs = self.interval.best, self.interval.costs
        apart = self.refits[:, parts - 1] - self.refits[:, best - 1]
        low, high = np.quantile(apart, (0.025, 0.975), method="weibull")
        more = float(costs[parts - 1] - costs[best - 1])
        return more, min(float(low), more), max(float(high), more)


def dress_costs(totals: Floats, *, cycles: int, form: tuple[str, ...] = ()) -> DressCosts:
    """
    The cost against the interval with the bounds that refits of the process leave.

    Parameters
    ----------
    totals : ndarray, shape (1 + refits, n)
        Cost of a cycle of 1, 2 ... n parts by the best fit, and by each refit.
    cycles, form : int, tuple of str
        As in `DressCosts`.
    """
    interval = dress_interval(totals[0])
    costs = totals[1:] / interval.intervals
    best = costs.argmin(axis=1) + 1
    lower, upper = np.quantile(costs, (0.025, 0.975), axis=0, method="weibull")
    ends = np.quantile(best, (0.025, 0.975), method="weibull")
    return DressCosts(
        interval=interval,
        # The fit to all cycles may lie at the edge of its refits; its own figure is inside.
        lower=np.minimum(lower, interval.costs),
        upper=np.maximum(upper, interval.costs),
        best_lower=min(int(np.floor(ends[0])), interval.best),
        best_upper=max(int(np.ceil(ends[1])), interval.best),
        open_share=float(np.mean(best == costs.shape[1])),
        cycles=cycles,
        form=form,
        refits=costs,
    )
