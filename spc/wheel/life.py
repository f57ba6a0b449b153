"""What is left of the wheel, how fast its rim runs, and which dress interval costs least."""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

#: Feet in a metre times seconds in a minute: m/s to ft/min.
FT_MIN_PER_M_S = 60 / 0.3048
#: At fixed speed of rotation a smaller wheel acts softer: drift grows with (start/now)^1.5
#: (judgement; 1 would be geometry alone).
SOFTER = 1.5
#: Intervals that cost no more than this share above the least are as good as the best.
FLAT = 0.05


def surface_speed(diameter_mm: float, rpm: float) -> float:
    """
    Speed of a wheel's rim. [m/s]

    Examples
    --------
    >>> round(surface_speed(400, 1650), 1)
    34.6
    """
    return math.pi * diameter_mm * rpm / 60_000


def feet_per_minute(metres_per_second: float) -> float:
    """
    A rim speed as it is marked in inch countries. [ft/min]

    Examples
    --------
    >>> round(feet_per_minute(surface_speed(304.8, 1592)))  # 12 in: 5000 ft/min
    5001
    """
    return metres_per_second * FT_MIN_PER_M_S


@dataclass(frozen=True)
class WheelLeft:
    """What is left of a wheel; unknowns are None. Lengths mm, speeds m/s."""

    diameter_mm: float
    dresses_left: int | None
    speed_m_s: float | None
    limit_m_s: float | None
    drift_factor: float  # drift per part against that of the full wheel

    @property
    def too_fast(self) -> bool:
        """Whether the rim runs faster than marked: stop, whatever else is true."""
        return (
            self.speed_m_s is not None
            and self.limit_m_s is not None
            and self.speed_m_s > self.limit_m_s
        )

    @property
    def caution(self) -> str:
        """What to say beside it; a smaller wheel is never a reason to turn it faster."""
        if self.too_fast:
            return (
                f"the rim runs at {self.speed_m_s:.1f} m/s, above the marked {self.limit_m_s:g} "
                "m/s: stop the wheel and set its speed by the machine's manual"
            )
        return (
            "never run a wheel faster than its marking, however small it has become; "
            "mounting and speed are for trained hands, by the machine's manual and local rules"
        )


def wheel_left(
    *,
    diameter_mm: float,
    dresses: int = 0,
    dress_depth_um: float | None = None,
    scrap_diameter_mm: float | None = None,
    rpm: float | None = None,
    speed_limit_m_s: float | None = None,
) -> WheelLeft:
    """
    What is left of a wheel after some dresses.

    Parameters
    ----------
    diameter_mm : float
        At the start.
    dresses : int
        Since then.
    dress_depth_um : float, optional
        Radial, per dress: the diameter falls by twice that.
    scrap_diameter_mm : float, optional
        Smallest diameter to use.
    rpm, speed_limit_m_s : float, optional
        Spindle speed and the marked operating speed.

    Examples
    --------
    >>> wheel_left(diameter_mm=400, dresses=100, dress_depth_um=20, scrap_diameter_mm=290)
    ... # doctest: +ELLIPSIS
    WheelLeft(diameter_mm=396.0, dresses_left=2650, ...)
    """
    depth = (dress_depth_um or 0.0) / 1000
    now = diameter_mm - 2 * depth * dresses
    left = None
    if depth > 0 and scrap_diameter_mm is not None:
        # A hair of slack, so that 106 mm at 0.04 mm is 2650 dresses in binary, too.
        left = max(0, math.floor((now - scrap_diameter_mm) / (2 * depth) + 1e-9))
    return WheelLeft(
        diameter_mm=round(now, 6),
        dresses_left=left,
        speed_m_s=None if rpm is None else surface_speed(now, rpm),
        limit_m_s=speed_limit_m_s,
        drift_factor=(diameter_mm / now) ** SOFTER,
    )


def grinding_ratio(
    *, stock_um: float, work_diameter_mm: float, wheel_diameter_mm: float, drift_um: float
) -> float:
    """
    Volume of work ground per volume of wheel worn (G), from the drift of the size.

    Parameters
    ----------
    stock_um : float
        Stock removed, on radius. [µm]
    work_diameter_mm, wheel_diameter_mm : float
        Diameters in contact over the same width.
    drift_um : float
        Growth of the diameter per part. [µm]

    Notes
    -----
    A wheel that loses w on its radius makes the part 2w larger, and the volumes per width are
    ``pi d_work stock`` and ``pi d_wheel w``; so ``G = 2 stock d_work / (d_wheel drift)``. The
    ratio itself is common in the trade (Malkin and Guo, Grinding Technology, from memory).

    Examples
    --------
    >>> grinding_ratio(stock_um=100, work_diameter_mm=40, wheel_diameter_mm=400, drift_um=0.25)
    80.0
    """
    if drift_um <= 0:
        raise ValueError(f"drift_um = {drift_um:g}; the ratio needs a drift above zero")
    return 2 * stock_um * work_diameter_mm / (wheel_diameter_mm * drift_um)


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


def dress_interval(part_costs: ArrayLike, dress_cost: float) -> DressInterval:
    """
    The dress interval of least cost per part.

    Parameters
    ----------
    part_costs : array_like, shape (n,)
        Expected cost of the 1st, 2nd ... n-th part after a dress.
    dress_cost : float
        Complete cost of one dress.

    Notes
    -----
    Renewal reward: a cycle of n parts costs ``dress_cost + sum(part_costs[:n])``, and the best n
    is where the next part costs as much as the average so far (Barlow and Proschan, Mathematical
    Theory of Reliability, 1965, from memory).

    Examples
    --------
    >>> dress_interval([0.1 * n for n in range(1, 13)], dress_cost=1.8).best
    6
    """
    parts = np.asarray(part_costs, dtype=float)
    if parts.ndim != 1 or parts.size == 0:
        raise ValueError("part_costs must be a row of at least one cost")
    intervals = np.arange(1, parts.size + 1, dtype=float)
    costs = (dress_cost + np.cumsum(parts)) / intervals
    best = int(np.argmin(costs))
    near = np.flatnonzero(costs <= (1 + FLAT) * costs[best] + 1e-12)
    return DressInterval(
        intervals=intervals,
        costs=costs,
        best=best + 1,
        flat_from=int(near[0]) + 1,
        flat_to=int(near[-1]) + 1,
        open_ended=best == parts.size - 1,
    )


#: Widths of a sawtooth that are tried, as shares of the tolerance width, and points across it.
_TEETH = (0.01, 0.02, 0.03, 0.045, 0.06, 0.08, 0.1, 0.13, 0.16, *(k / 40 for k in range(8, 41)))
_LEVELS = 121


@dataclass(frozen=True)
class HeldSize:
    """
    Limits of one size, mirrored so that wear goes up, and what being off costs. [µm, cost]

    `below` is paid for a part under `lower`, `above` for one over `upper`, `off_target` for one on
    the limit farther from target, growing with the square; `every`: parts from check to check.
    """

    lower: float
    upper: float
    target: float
    below: float
    above: float
    off_target: float
    offset: float
    every: int

    def part_costs(self, sd: ArrayLike, drift: ArrayLike) -> Floats:
        """
        Least expected cost per part when offsets hold a drifting size.

        Parameters
        ----------
        sd, drift : array_like, shape (m,)
            Spread of parts about their level, and drift per part. [µm]

        Returns
        -------
        ndarray, shape (m,)
            Parts off target and outside, and the offsets.

        Notes
        -----
        The level climbs from an aim by a width and is set back at the price of one offset: the
        cheapest aim and width are taken, no narrower than the drift from one check to the next.
        """
        spread, climb = np.asarray(sd, dtype=float), np.abs(np.asarray(drift, dtype=float))
        width = self.upper - self.lower
        levels = np.linspace(self.lower - width / 4, self.upper + width / 4, _LEVELS)
        cell = float(levels[1] - levels[0])
        loss = self.expected(levels, spread[:, None])
        area = np.concatenate([np.zeros((len(spread), 1)), np.cumsum(loss, axis=1)], axis=1)
        cells = sorted({max(1, round(share * width / cell)) for share in _TEETH})
        found = np.full(len(spread), np.inf)
        for many in cells:
            tooth = many * cell
            mean = ((area[:, many:] - area[:, :-many]) / many).min(axis=1)
            cost = mean + self.offset * climb / tooth
            wide_enough = (tooth >= climb * self.every) | (many == cells[-1])
            found = np.where(wide_enough, np.minimum(found, cost), found)
        return np.asarray(found)

    def expected(self, level: ArrayLike, sd: ArrayLike) -> Floats:
        """
        Expected cost of a part about a level.

        Examples
        --------
        >>> HeldSize(-8, 8, 0, 15, 5, 0.5, 0.6, 5).expected(8.0, 1.0).round(3).tolist()
        3.008
        """
        from scipy.special import ndtr

        m, s = np.asarray(level, dtype=float), np.asarray(sd, dtype=float)
        return self._priced(
            (m - self.target) ** 2 + s**2,
            ndtr((self.lower - m) / s),
            ndtr((m - self.upper) / s),
        )

    def of_parts(self, sizes: ArrayLike) -> Floats:
        """
        What parts of these sizes cost, each.

        Examples
        --------
        >>> HeldSize(-8, 8, 0, 15, 5, 0.5, 0.6, 5).of_parts([0, 4, 8, 9]).round(3).tolist()
        [0.0, 0.125, 0.5, 5.633]
        """
        x = np.asarray(sizes, dtype=float)
        return self._priced((x - self.target) ** 2, x < self.lower, x > self.upper)

    def outside(self, sizes: ArrayLike) -> Floats:
        """1 for each part outside its limits."""
        x = np.asarray(sizes, dtype=float)
        return np.asarray((x < self.lower) | (x > self.upper), dtype=float)

    def _priced(self, square: ArrayLike, below: ArrayLike, above: ArrayLike) -> Floats:
        """Cost from the squared distance from target and the shares below and above."""
        reach = max(self.upper - self.target, self.target - self.lower)
        return np.asarray(
            self.off_target * np.asarray(square) / reach**2
            + self.below * np.asarray(below)
            + self.above * np.asarray(above)
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


def dress_costs(
    best: DressInterval, refits: list[DressInterval], *, cycles: int, form: tuple[str, ...] = ()
) -> DressCosts:
    """The cost against the interval with the bounds that refits of it leave."""
    costs = np.stack([refit.costs for refit in refits])
    lower, upper = np.quantile(costs, (0.025, 0.975), axis=0, method="weibull")
    ends = np.quantile([refit.best for refit in refits], (0.025, 0.975), method="weibull")
    return DressCosts(
        interval=best,
        # The fit to all cycles may lie at the edge of its refits; its own figure is inside.
        lower=np.minimum(lower, best.costs),
        upper=np.maximum(upper, best.costs),
        best_lower=min(int(np.floor(ends[0])), best.best),
        best_upper=max(int(np.ceil(ends[1])), best.best),
        open_share=float(np.mean([refit.open_ended for refit in refits])),
        cycles=cycles,
        form=form,
        refits=costs,
    )
