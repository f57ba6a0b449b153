"""What was done to the machine, and what each act did to the size."""

import math
from bisect import bisect_left
from collections import Counter
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
    told = list(run.events.itertuples())
    moves = Counter(int(event.after_part) for event in told if event.kind in _MOVES)
    edges = sorted(moves)
    acts = []
    for event in told:
        after = int(event.after_part)
        # An act between two parts belongs with the second; the last of a run with the first.
        if not (first - 1 <= after < last or after == last == run.made):
            continue
        effect: tuple[float | None, float | None] = (None, None)
        if lead and lead.sloping and event.kind in _MOVES and moves[after] == 1:
            effect = effect_of(lead.series, lead.sloping, after, edges)
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
    series: Series, chart: Chart, after_part: int, edges: list[int]
) -> tuple[float | None, float | None]:
    """
    How far the level moved at one act, and the standard error of that.

    Parameters
    ----------
    series, chart
        The lead feature and its chart about the wear lines.
    after_part : int
        The act stands after this part.
    edges : list of int
        Where every act that moves the level stands, rising.

    Returns
    -------
    float or None, float or None
        [µm] None when no part was measured between this act and its neighbours.

    Notes
    -----
    Each side is the mean of at most three parts, carried along the drift common to all dress
    cycles, so that the wear between them is not counted as the act's doing. The drift of this
    cycle alone would not do: its line was drawn with the recorded amount taken out, right or not.
    """
    place = bisect_left(edges, after_part)
    begun = edges[place - 1] if place else 0
    ended = edges[place + 1] if place + 1 < len(edges) else int(series.parts[-1])
    low, middle, high = np.searchsorted(series.parts, (begun, after_part, ended), side="right")
    before = np.arange(max(low, middle - _NEIGHBOURS), middle)
    after = np.arange(middle, min(high, middle + _NEIGHBOURS))
    if not len(before) or not len(after):
        return None, None
    slope, slope_spread = getattr(chart, "slope", 0.0), getattr(chart, "slope_spread", 0.0)
    apart = float(series.parts[after].mean() - series.parts[before].mean())
    y = series.deviation_um
    moved = float(y[after].mean() - y[before].mean()) - slope * apart
    spread = chart.sigma * math.sqrt(1 / len(before) + 1 / len(after))
    return moved, math.hypot(spread, slope_spread * apart)


def _instant(time: Any) -> datetime | None:
    return None if time != time else time.to_pydatetime()


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value)
