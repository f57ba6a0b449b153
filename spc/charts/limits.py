"""What a chart is: values, centre and limits, and the base span the limits come from."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
MOVING_RANGE = "moving range"


@dataclass(frozen=True)
class ControlLimits:
    """Centre line and limits of one chart. [unit of the data]"""

    center: float
    lower: float
    upper: float


@dataclass(frozen=True)
class Base:
    """
    The span of plotted points that limits were estimated from.

    Attributes
    ----------
    first, last : int
        Positions in the plotted series, both included, the first point being 0.
    excluded : tuple of int
        Positions inside the span that were left out.
    reasons : tuple of str
        Why, one for each.
    """

    first: int
    last: int
    excluded: tuple[int, ...] = ()
    reasons: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a span that cannot be one."""
        if not 0 <= self.first <= self.last:
            raise ValueError(
                f"base span {self.first} to {self.last}: positions count from 0 and rise"
            )
        if len(self.reasons) not in (0, len(self.excluded)):
            raise ValueError(
                f"{len(self.excluded)} points excluded and {len(self.reasons)} reasons: "
                "each needs its own"
            )

    @property
    def count(self) -> int:
        """Points in use."""
        inside = {place for place in self.excluded if self.first <= place <= self.last}
        return self.last - self.first + 1 - len(inside)

    def mask(self, n: int) -> Flags:
        """Which of `n` plotted points are in use, shape (n,)."""
        used = np.zeros(n, dtype=bool)
        used[self.first : self.last + 1] = True
        used[list(self.excluded)] = False
        return used


def base_of(base: "Base | Sequence[int] | None", n: int) -> Base:
    """
    The base a caller named: None is all `n` points, a pair is (first, last).

    Raises
    ------
    ValueError
        When it does not lie within the series.
    """
    if n < 1:
        raise ValueError("no points: a chart needs at least one")
    if base is None:
        return Base(0, n - 1)
    if not isinstance(base, Base):
        first, last = base
        base = Base(int(first), int(last))
    if base.last >= n or any(not 0 <= place < n for place in base.excluded):
        raise ValueError(f"base span {base.first} to {base.last}: the series has {n} points")
    return base


def in_base(x: Floats, base: Base) -> Floats:
    """The base's points in order, NaN where one is excluded; a view where none is."""
    span = x[base.first : base.last + 1]
    if not base.excluded:
        return span
    used = base.mask(len(x))[base.first : base.last + 1]
    return np.where(used.reshape(-1, *(1,) * (x.ndim - 1)), span, np.nan)


@dataclass(frozen=True)
class FrozenLimits:
    """
    Level and spread that later runs are judged by: estimated once, then kept.

    Attributes
    ----------
    center, sigma : float
        Level and standard deviation of single parts. [unit of the data]
    count : int
        Points they were estimated from; 0 when they come from elsewhere.
    who, when, why : str
        Whoever froze them, the day, and the reason, as the limits file keeps them.
    slope : float
        Drift per part of a sloping chart, 0 for a level one.

    Examples
    --------
    >>> kept = FrozenLimits(center=6.5, sigma=0.8, count=40, who="KL", why="after new diamond")
    >>> FrozenLimits.from_dict(kept.to_dict()) == kept
    True
    """

    center: float
    sigma: float
    count: int = 0
    who: str = ""
    when: str = ""
    why: str = ""
    slope: float = 0.0

    def __post_init__(self) -> None:
        """Refuse limits no chart can be drawn from."""
        if not (math.isfinite(self.center) and math.isfinite(self.sigma) and self.sigma >= 0):
            raise ValueError(
                f"frozen limits with centre {self.center:g} and sigma {self.sigma:g}: "
                "both must be finite, and sigma not negative"
            )

    def to_dict(self) -> dict[str, Any]:
        """As plain numbers and text, for a file."""
        return asdict(self)

    @classmethod
    def from_dict(cls, kept: dict[str, Any]) -> "FrozenLimits":
        """From what `to_dict` gave."""
        return cls(**kept)


@dataclass(frozen=True)
class Change:
    """From `position` on, other limits hold."""

    position: int
    says: str


@dataclass(frozen=True, eq=False)
class Chart:
    """
    A plotted series with its centre and limits.

    Attributes
    ----------
    statistic : str
        What is plotted: "individual", "moving range", "mean", "range" ...
    values, center, lower, upper : ndarray, shape (n,)
        In the unit of the data; a missing point is NaN and is never beyond a limit.
    sigma : float
        Standard deviation of single parts that the limits rest on.
    base : Base or None
        Where centre and sigma were estimated; None when they were given.
    changes : tuple of Change
        Where the limits change along the series.
    earlier_sigmas : tuple of float
        What `sigma` was before each change.
    """

    statistic: str
    values: Floats
    center: Floats
    lower: Floats
    upper: Floats
    sigma: float
    base: Base | None
    changes: tuple[Change, ...] = field(default=(), kw_only=True)
    earlier_sigmas: tuple[float, ...] = field(default=(), kw_only=True)

    @property
    def z(self) -> Floats:
        """
        Distance from the centre in thirds of the way to the upper limit, shape (n,).

        Standard errors of the plotted value wherever limits stand at three of them; 3 is the
        upper limit on every chart. Without spread, a point off the centre is infinitely far.
        """
        center = _flat(self.center)
        away = self.values - center
        reach = (_flat(self.upper) - center) / 3
        if np.size(reach) and not np.all(reach > 0):
            flat = np.where(away == 0, 0.0, np.copysign(np.inf, away))
            flat[np.isnan(away)] = np.nan
            return np.divide(away, reach, out=flat, where=reach > 0)
        return np.divide(away, reach, out=away)

    @property
    def beyond(self) -> Flags:
        """Which points lie outside a limit, shape (n,)."""
        return np.asarray((self.values > _flat(self.upper)) | (self.values < _flat(self.lower)))

    @property
    def limits(self) -> ControlLimits:
        """Centre and limits at the last point."""
        return ControlLimits(float(self.center[-1]), float(self.lower[-1]), float(self.upper[-1]))

    def freeze(self, *, who: str = "", when: str = "", why: str = "") -> FrozenLimits:
        """Level, sigma and any common slope of this chart, to judge later runs by."""
        return FrozenLimits(
            center=float(self.center[0]),
            sigma=self.sigma,
            count=0 if self.base is None else self.base.count,
            who=who,
            when=when,
            why=why,
            slope=getattr(self, "slope", 0.0),
        )

    def to_frame(self) -> Any:
        """
        One row a point, as a pandas DataFrame.

        Columns: value, center, lower, upper, z, beyond, in_base.
        """
        import pandas as pd

        used = (
            np.zeros(len(self.values), bool)
            if self.base is None
            else self.base.mask(len(self.values))
        )
        return pd.DataFrame(
            {
                "value": self.values,
                "center": self.center,
                "lower": self.lower,
                "upper": self.upper,
                "z": self.z,
                "beyond": self.beyond,
                "in_base": used,
            }
        )


@dataclass(frozen=True, eq=False)
class ChartPair:
    """A chart of the level, and below it one of the spread."""

    location: Chart
    spread: Chart

    def freeze(self, *, who: str = "", when: str = "", why: str = "") -> FrozenLimits:
        """Level and sigma of this pair, to judge later runs by."""
        return self.location.freeze(who=who, when=when, why=why)

    def to_frame(self) -> Any:
        """One row a point, as a pandas DataFrame: both charts' columns under their statistic."""
        import pandas as pd

        both = (self.location, self.spread)
        return pd.concat({each.statistic: each.to_frame() for each in both}, axis=1)


def _flat(line: Floats) -> Floats:
    """One number of a line that is level throughout, so that long series are gone over faster."""
    return line[0] if len(line) and line.strides == (0,) else line


def chart(
    statistic: str,
    values: Floats,
    center: ArrayLike,
    reach: ArrayLike,
    *,
    sigma: float,
    base: Base | None,
    floor: float = -np.inf,
) -> Chart:
    """
    A chart whose limits stand `reach` above and below its centre, but not below `floor`.

    Parameters
    ----------
    values : ndarray, shape (n,)
        What is plotted.
    center, reach : array_like
        Numbers, or shape (n,).
    """
    center, reach = np.asarray(center, dtype=float), np.asarray(reach, dtype=float)
    lower = center - reach
    if floor > -np.inf:
        lower = np.maximum(lower, floor)
    shape = values.shape
    return Chart(
        statistic,
        values,
        np.broadcast_to(center, shape),
        np.broadcast_to(lower, shape),
        np.broadcast_to(center + reach, shape),
        sigma,
        base,
    )


def joined(*charts: Chart, why: Sequence[str] = ()) -> Chart:
    """
    Charts of one statistic end to end: a change of limits marked where each one begins.

    Parameters
    ----------
    *charts : Chart
        In grinding order.
    why : sequence of str
        A reason for each change, one fewer than charts; may be left out.

    Returns
    -------
    Chart
        With the base and sigma of the last chart, its base moved to where it now lies.
    """
    if len({each.statistic for each in charts}) != 1:
        raise ValueError("only charts of one and the same statistic can be joined")
    starts = np.cumsum([0] + [len(each.values) for each in charts])
    reasons = [*why, *[""] * (len(charts) - 1 - len(why))]
    changes: list[Change] = []
    sigmas: list[float] = []
    for start, each, reason in zip(starts[:-1], charts, ["", *reasons], strict=True):
        if start:
            changes.append(Change(int(start), reason or f"new limits from point {start + 1}"))
        changes += [Change(int(start) + old.position, old.says) for old in each.changes]
        sigmas += [*each.earlier_sigmas, each.sigma]
    last, moved = charts[-1], int(starts[-2])
    base = last.base and Base(
        last.base.first + moved,
        last.base.last + moved,
        tuple(place + moved for place in last.base.excluded),
        last.base.reasons,
    )

    def along(name: str) -> Floats:
        return np.concatenate([getattr(each, name) for each in charts])

    return Chart(
        last.statistic,
        along("values"),
        along("center"),
        along("lower"),
        along("upper"),
        last.sigma,
        base,
        changes=tuple(changes),
        earlier_sigmas=tuple(sigmas[:-1]),
    )
