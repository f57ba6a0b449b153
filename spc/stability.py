"""Whether a feature did only what wear explains, judged against what chance alone would show."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from spc.charts import run_length, signals
from spc.errors import PlanError
from spc.findings import Stability
from spc.gauge.resolution import Resolution
from spc.plan import Plan

#: A stable feature shows so many signals, or one so extreme, in this share of runs at most.
BY_COUNT, BY_EXTREME = 0.03, 0.01


@dataclass(frozen=True, eq=False)
class Judged:
    """
    What stability is judged by.

    Attributes
    ----------
    z : array, shape (n,)
        Distance of each part from its wear line, 3 standing on a limit.
    degrees : int
        Degrees of freedom of the spread behind the limits; 0 when it was given.
    """

    z: NDArray[np.float64]
    degrees: int


def patterns_for(plan: Plan, resolution: Resolution | None) -> tuple[str, ...]:
    """
    The patterns to watch for: the plan's, without those that coarse steps feign.

    Readings in steps as large as the spread stay on one side of a centre between two steps, so a
    run on one side says nothing there.
    """
    named = plan.charts.signals or signals.DEFAULT
    for name in named:
        if name not in signals.PATTERNS:
            known = ", ".join(signals.PATTERNS)
            raise PlanError(
                f"{plan.source}: charts, signals: there is no pattern {name!r}; there are: {known}"
            )
    if resolution is not None and resolution.coarse:
        return tuple(name for name in named if name == "beyond") or ("beyond",)
    return tuple(named)


def watch(plan: Plan, judged: Judged, patterns: tuple[str, ...]) -> tuple[signals.Signal, ...]:
    """Signals of these patterns about the wear lines."""
    found = signals.watch(
        judged.z, patterns, one_side=plan.charts.one_side, climb=plan.charts.climb
    )
    return tuple(found)


def in_control(plan: Plan, patterns: tuple[str, ...]) -> run_length.RunLength:
    """Points to the first false alarm of these patterns together."""
    charts = plan.charts
    return run_length.in_control(patterns, one_side=charts.one_side, climb=charts.climb)


def judge(
    plan: Plan,
    judged: Judged | None,
    found: tuple[signals.Signal, ...],
    patterns: tuple[str, ...],
    *,
    alike: bool = False,
    parts: NDArray[np.int64] | None = None,
) -> Stability:
    """
    Whether there is more about the wear lines than a stable process shows by chance.

    Two things are not chance: more signals than a stable run of this length shows in 3 % of
    cases, the limits being as uncertain as they are; or one signal so extreme that a stable run
    shows it in 1 % of cases. None: too little to judge; `alike` says that the parts are enough,
    but that all read the same. `parts` are the part numbers of the points, to name a part by.
    """
    if judged is None:
        lacks = "all readings are alike and show no spread" if alike else "too few measured parts"
        return Stability(None, 0, None, f"not enough yet: {lacks} to judge stability by")
    points = len(judged.z)
    rate = 1 / in_control(plan, patterns).mean
    most = most_by_chance(points, rate, judged.degrees)
    extreme = [each for each in found if _chance(each, judged, points) < BY_EXTREME]
    words = (
        f"{_signals(len(found))} about the wear line, where chance alone gives about "
        f"{points * rate:.1f}, and at most {most} in {100 * (1 - BY_COUNT):.0f} % of steady runs"
    )
    if len(found) <= most and not extreme:
        return Stability(True, len(found), points * rate, f"{words}: nothing but wear")
    words = f"{words}: more than steady wear"
    if extreme:
        worst = min(extreme, key=lambda each: _chance(each, judged, points))
        words += (
            f", since one is so extreme that at most {100 * BY_EXTREME:.0f} % of steady runs show "
            f"its like, however few there are ({worst.says}{_where(worst, parts)})"
        )
    return Stability(False, len(found), points * rate, words)


def _signals(count: int) -> str:
    return f"{count} signal{'' if count == 1 else 's'}"


def _where(signal: signals.Signal, parts: NDArray[np.int64] | None) -> str:
    if parts is None:
        return ""
    first, last = int(parts[signal.first]), int(parts[signal.last])
    return f", part {first}" if first == last else f", parts {first} to {last}"


@lru_cache(maxsize=256)
def most_by_chance(points: int, rate: float, degrees: int) -> int:
    """
    Signals that a stable run exceeds in 3 % of cases.

    Parameters
    ----------
    points : int
        Plotted points.
    rate : float
        Signals per point with limits exactly known.
    degrees : int
        Degrees of freedom of the spread behind the limits; 0: exactly known.

    Notes
    -----
    The number is Poisson about a rate that is itself uncertain: limits a tenth too narrow let
    2.7 times as many points beyond. The rate is averaged over the chi distribution of the spread.

    Examples
    --------
    >>> most_by_chance(100, 1 / 217, 0), most_by_chance(100, 1 / 217, 38)
    (2, 3)
    """
    from scipy.special import chdtri, erfc, pdtr

    shares = (np.arange(100) + 0.5) / 100
    scale = np.sqrt(chdtri(degrees, 1 - shares) / degrees) if degrees else np.ones(1)
    beyond = erfc(3 * scale / math.sqrt(2)) - math.erfc(3 / math.sqrt(2))
    expected = points * np.maximum(rate + beyond, 0.0)
    low, high = -1, 1
    while 1 - pdtr(high, expected).mean() > BY_COUNT:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        if 1 - pdtr(middle, expected).mean() > BY_COUNT:
            low = middle
        else:
            high = middle
    return int(high)


def _chance(signal: signals.Signal, judged: Judged, points: int) -> float:
    """Chance that a stable run of so many points shows a signal as extreme as this one."""
    if signal.pattern == "one_side":
        return float(points * 2.0 ** (1 - (signal.last - signal.first + 1)))
    if signal.pattern == "beyond":
        farthest = float(np.nanmax(np.abs(judged.z[signal.first : signal.last + 1])))
        return points * _outside(farthest, judged.degrees)
    return 1.0


def _outside(z: float, degrees: int) -> float:
    """Two-sided tail beyond `z`, on a scale where 3 stands on a limit drawn with Student's t."""
    if not degrees:
        return math.erfc(z / math.sqrt(2))
    from scipy.special import stdtr, stdtrit

    limit = float(stdtrit(degrees, 1 - math.erfc(3 / math.sqrt(2)) / 2))
    return float(2 * stdtr(degrees, -limit * z / 3))
