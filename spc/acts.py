"""What was done to the machine, and what each act did to the size."""

import math
from datetime import datetime
from typing import Any

import numpy as np

from spc.charts.limits import Chart
from spc.findings import Act, FeatureStudy
from spc.plan import Plan
from spc.run import Run
from spc.series import Series

#: Acts that move the level.
_MOVES = ("dress", "offset", "wheel")
#: Measured parts on either side that an effect is told from.
_NEIGHBOURS = 3


def acts_of(
    run: Run, plan: Plan, features: tuple[FeatureStudy, ...], first: int, last: int
) -> tuple[Act, ...]:
    """
    The events of the span, with what each did to the lead feature.

    An effect is told only where one act alone stands between two stretches of measured parts.
    """
    lead = next((f for f in features if plan.lead and f.name == plan.lead.name), None)
    moves = [int(event.after_part) for event in run.events.itertuples() if event.kind in _MOVES]
    acts = []
    for event in run.events.itertuples():
        after = int(event.after_part)
        if not first - 1 <= after <= last:
            continue
        effect: tuple[float | None, float | None] = (None, None)
        if lead and lead.sloping and event.kind in _MOVES and moves.count(after) == 1:
            effect = effect_of(lead.series, lead.sloping, after, moves)
        acts.append(
            Act(
                kind=str(event.kind),
                after_part=after,
                time=_instant(event.time),
                amount_um=_number(event.amount_um),
                minutes=_number(event.minutes),
                note=str(event.note),
                effect_um=effect[0],
                effect_se_um=effect[1],
            )
        )
    return tuple(acts)


def effect_of(
    series: Series, chart: Chart, after_part: int, moves: list[int]
) -> tuple[float | None, float | None]:
    """
    How far the level moved at one act, and the standard error of that.

    Parameters
    ----------
    series, chart
        The lead feature and its chart about the wear lines.
    after_part : int
        The act stands after this part.
    moves : list of int
        Where every act that moves the level stands.

    Returns
    -------
    float or None, float or None
        [µm] None when no part was measured between this act and its neighbours.

    Notes
    -----
    Each side is the mean of at most three parts, carried along the wear line to the act, so that
    the wear between them is not counted as the act's doing; parts beyond their limits are left
    out. The uncertainty of the line itself is not in the standard error.
    """
    begun = max((move for move in moves if move < after_part), default=0)
    ended = min((move for move in moves if move > after_part), default=int(series.parts[-1]))
    usual = np.abs(chart.z) <= 3
    before = np.flatnonzero(usual & (series.parts > begun) & (series.parts <= after_part))[
        -_NEIGHBOURS:
    ]
    after = np.flatnonzero(usual & (series.parts > after_part) & (series.parts <= ended))[
        :_NEIGHBOURS
    ]
    if not len(before) or not len(after):
        return None, None
    moved = _carried(series, chart, after, after_part) - _carried(series, chart, before, after_part)
    return float(moved), float(chart.sigma * math.sqrt(1 / len(before) + 1 / len(after)))


def _carried(series: Series, chart: Chart, at: np.ndarray, part: int) -> float:
    """Mean of these parts, each carried along the wear line of its cycle to `part`."""
    mine = np.flatnonzero(series.cycle == series.cycle[at[0]])
    first, last = mine[0], mine[-1]
    span = series.parts[last] - series.parts[first]
    slope = (chart.center[last] - chart.center[first]) / span if span else 0.0
    return float((series.deviation_um[at] - slope * (series.parts[at] - part)).mean())


def _instant(time: Any) -> datetime | None:
    return None if time != time else time.to_pydatetime()


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value)
