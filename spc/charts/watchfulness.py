"""How often will this chart cry wolf, and how soon will it see a shift: in parts and minutes."""

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from spc.charts import run_length
from spc.charts.patterns import Pattern
from spc.charts.run_length import RunLength

#: Shifts of the process that are asked about when none are named. [µm]
SHIFTS_UM = (1.0, 2.0, 3.0)


@dataclass(frozen=True)
class Sight:
    """
    How soon one shift is seen.

    Attributes
    ----------
    shift_um, shift_sigma : float
        Of the process; in standard errors of a plotted point.
    points, error : float
        Plotted points until it is seen, on average, and the standard error of a simulation, 0
        where it was computed.
    parts : float
        Parts ground from the first shifted one to the one that shows it, both included, the
        shift coming anywhere between two plotted points.
    minutes : float
        The same in time; NaN when no cycle time was given.
    """

    shift_um: float
    shift_sigma: float
    points: float
    error: float
    parts: float
    minutes: float


@dataclass(frozen=True)
class Watchfulness:
    """
    What a chart promises, at this sigma and this sampling.

    Attributes
    ----------
    in_control : RunLength
        Points between false alarms.
    false_alarm_parts, false_alarm_minutes : float
        Parts ground, and minutes, between false alarms.
    sights : tuple of Sight
        One for each shift asked about.
    sigma_um, every, group, minutes_per_part
        As given.
    """

    in_control: RunLength
    false_alarm_parts: float
    false_alarm_minutes: float
    sights: tuple[Sight, ...]
    sigma_um: float
    every: int
    group: int
    minutes_per_part: float

    def to_frame(self) -> Any:
        """One row a shift, as a pandas DataFrame with the fields of `Sight`."""
        import pandas as pd

        return pd.DataFrame([asdict(sight) for sight in self.sights])

    @property
    def lines(self) -> tuple[str, ...]:
        """One sentence for the false alarms, and one for each shift."""
        timed = not math.isnan(self.minutes_per_part)
        wolf = f"{self.in_control.words}: once in {_round(self.false_alarm_parts)} parts"
        said = [wolf + (f", {_time(self.false_alarm_minutes)}" if timed else "")]
        for sight in self.sights:
            said.append(
                f"a shift of {sight.shift_um:g} µm ({sight.shift_sigma:.2g} standard errors) is "
                f"seen after {sight.points:.3g} points, {_round(sight.parts)} parts on average"
                + (f", {_time(sight.minutes)}" if timed else "")
            )
        return tuple(said)


def of_patterns(
    sigma_um: float,
    patterns: Iterable[str | Pattern] | None = None,
    *,
    every: int = 1,
    group: int = 1,
    minutes_per_part: float = math.nan,
    shifts_um: Sequence[float] = SHIFTS_UM,
    one_side: int = 9,
    climb: int = 6,
) -> Watchfulness:
    """
    Of patterns watched together on a chart of single parts or of means.

    Parameters
    ----------
    sigma_um : float
        Standard deviation of single parts about the line they are judged by. [µm]
    patterns, one_side, climb
        As for `run_length.of_patterns`.
    every : int
        Parts ground from one plotted point to the next.
    group : int
        Parts each point is the mean of, ground together.
    minutes_per_part : float
        Cycle time; NaN: no minutes. [min]
    shifts_um : sequence of float
        Shifts to ask about. [µm]

    Returns
    -------
    Watchfulness

    Examples
    --------
    >>> seen = of_patterns(1.0, ["beyond"], every=5, minutes_per_part=1.2)
    >>> round(seen.false_alarm_parts), [round(sight.parts) for sight in seen.sights]
    (1852, [217, 30, 8])
    """
    # Patterns may be an iterator: they are asked for several times.
    named = None if patterns is None else tuple(patterns)

    def length(shift: float) -> RunLength:
        return run_length.of_patterns(named, shift, one_side=one_side, climb=climb)

    return _promised(length, sigma_um, every, group, minutes_per_part, shifts_um)


def of_ewma(
    sigma_um: float,
    *,
    weight: float = 0.2,
    times: float = 2.86,
    every: int = 1,
    group: int = 1,
    minutes_per_part: float = math.nan,
    shifts_um: Sequence[float] = SHIFTS_UM,
) -> Watchfulness:
    """
    Of a weighted-mean chart, started when the shift comes.

    Parameters
    ----------
    weight, times
        As for `ewma.ewma_chart`.
    sigma_um, every, group, minutes_per_part, shifts_um
        As for `of_patterns`.

    Examples
    --------
    >>> round(of_ewma(1.0).sights[0].points, 1)
    9.8
    """

    def length(shift: float) -> RunLength:
        # Limits have long stopped growing when a shift comes to a running chart.
        return run_length.of_ewma(weight, times, shift, growing=False)

    return _promised(length, sigma_um, every, group, minutes_per_part, shifts_um)


def of_cusum(
    sigma_um: float,
    *,
    k: float = 0.5,
    h: float = 4.77,
    every: int = 1,
    group: int = 1,
    minutes_per_part: float = math.nan,
    shifts_um: Sequence[float] = SHIFTS_UM,
) -> Watchfulness:
    """
    Of a chart of sums, both at zero when the shift comes.

    Parameters
    ----------
    k, h
        As for `cusum.cusum_chart`.
    sigma_um, every, group, minutes_per_part, shifts_um
        As for `of_patterns`.

    Examples
    --------
    >>> round(of_cusum(1.0).sights[0].points, 1)
    9.9
    """
    return _promised(
        lambda shift: run_length.of_cusum(k, h, shift),
        sigma_um,
        every,
        group,
        minutes_per_part,
        shifts_um,
    )


def _promised(
    length: Callable[[float], RunLength],
    sigma_um: float,
    every: int,
    group: int,
    minutes_per_part: float,
    shifts_um: Sequence[float],
) -> Watchfulness:
    if not sigma_um > 0 or every < 1 or not 1 <= group <= every:
        raise ValueError(
            f"sigma {sigma_um:g} µm, every {every} parts, groups of {group}: sigma must be above "
            "0, and a group no larger than the parts from one point to the next"
        )
    stable = length(0.0)
    sights = tuple(
        _sight(length, shift, sigma_um / math.sqrt(group), every, minutes_per_part)
        for shift in shifts_um
    )
    parts = stable.mean * every
    return Watchfulness(
        stable, parts, parts * minutes_per_part, sights, sigma_um, every, group, minutes_per_part
    )


def _sight(
    length: Callable[[float], RunLength], shift: float, error_um: float, every: int, minutes: float
) -> Sight:
    found = length(abs(shift) / error_um)
    # A shift comes with equal chance after any of the parts between two points, so the first
    # plotted point after it is (every + 1) / 2 parts away on average.
    parts = (found.mean - 1) * every + (every + 1) / 2
    return Sight(shift, abs(shift) / error_um, found.mean, found.error, parts, parts * minutes)


def _round(parts: float) -> str:
    return f"{parts:,.0f}" if parts >= 10 else f"{parts:.1f}"


def _time(minutes: float) -> str:
    if minutes < 90:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.1f} h"
