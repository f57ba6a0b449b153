"""What was done to the machine, and what each act did to the size."""

import math
from bisect import bisect_left
from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from spc.charts.limits import Chart
from spc.findings import Act, FeatureStudy
from spc.plan import Plan
from spc.run import Run
from spc.series import Floats, Series

#: Acts that move the level.
_MOVES = ("dress", "offset", "wheel")
#: Measured parts on either side that an effect is told from.
_NEIGHBOURS = 3
#: Standard errors between a move and the amount written that prove a slip: 1 % by chance.
PROVEN_BY = 2.6


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
        moved = None
        if lead and lead.sloping and event.kind in _MOVES and moves[after] == 1:
            moved = moved_by(lead.series, lead.sloping, after, edges)
        amount = _number(event.amount_um)
        acts.append(
            Act(
                kind=str(event.kind),
                after_part=after,
                time=_instant(event.time),
                amount_um=amount,
                minutes=_number(event.minutes),
                note=str(event.note),
                effect_um=None if moved is None else moved.um,
                effect_se_um=None if moved is None else moved.se_um,
                contradicted=event.kind == "offset" and contradicts(moved, amount),
            )
        )
    return tuple(acts)


@dataclass(frozen=True, eq=False)
class Moved:
    """
    How far the level moved at one act, and the standard error of that.

    `before_um` and `after_um` are the parts it is told from, carried along the drift to the act.
    """

    um: float
    se_um: float
    before_um: Floats
    after_um: Floats


def moved_by(series: Series, chart: Chart, after_part: int, edges: list[int]) -> Moved | None:
    """
    How far the level moved at one act.

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
    Moved or None
        None when no part was measured between this act and its neighbours.

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
        return None
    slope, slope_spread = getattr(chart, "slope", 0.0), getattr(chart, "slope_spread", 0.0)
    apart = float(series.parts[after].mean() - series.parts[before].mean())
    y = series.deviation_um - slope * (series.parts - after_part)
    spread = chart.sigma * math.sqrt(1 / len(before) + 1 / len(after))
    return Moved(
        um=float(y[after].mean() - y[before].mean()),
        se_um=math.hypot(spread, slope_spread * apart),
        before_um=y[before],
        after_um=y[after],
    )


def contradicts(moved: Moved | None, amount_um: float | None) -> bool:
    """
    Whether the parts prove that an offset did something else than was written.

    Notes
    -----
    Three things together (our choice): the move lies beyond 2.6 standard errors from the amount,
    as one right entry in a hundred does; it is nearer to none, to twice the amount or to the
    amount with the other sign; and every part taken for itself, of two at least on either side,
    says so, since one wild part is no proof.
    """
    if moved is None or not amount_um or min(len(moved.before_um), len(moved.after_um)) < 2:
        return False
    if abs(moved.um - amount_um) <= PROVEN_BY * moved.se_um:
        return False
    slips = np.array([0.0, 2 * amount_um, -amount_um])
    slip = float(slips[np.argmin(np.abs(slips - moved.um))])
    singly = np.concatenate(
        [moved.after_um - moved.before_um.mean(), moved.after_um.mean() - moved.before_um]
    )
    return bool(np.all(np.abs(singly - slip) < np.abs(singly - amount_um)))


def _instant(time: Any) -> datetime | None:
    return None if time != time else time.to_pydatetime()


def _number(value: float) -> float | None:
    return None if math.isnan(value) else float(value)
