"""Cleaning a base span: points beyond limits are left out round by round, each with its reason."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from spc.charts.limits import MOVING_RANGE, Base, Chart, ChartPair, base_of
from spc.errors import NotEnough

#: A base that loses more than this share of its points was never stable (our choice).
MOST_EXCLUDED = 0.25


@dataclass(frozen=True)
class Cleaning:
    """
    A base span after its points beyond limits were left out.

    Attributes
    ----------
    base : Base
        With each exclusion and its reason.
    rounds : tuple of tuple of int
        Positions left out in each round, beside those named beforehand.
    settled : bool
        Whether the last round found no more; False when it stopped because too many points had
        gone. Limits from such a base mean little.
    says : str
        One sentence.
    """

    base: Base
    rounds: tuple[tuple[int, ...], ...]
    settled: bool
    says: str


def cleaned(
    chart_of: Callable[[Base], Chart | ChartPair],
    n: int,
    *,
    span: Sequence[int] | None = None,
    known: Mapping[int, str] | None = None,
    most: float = MOST_EXCLUDED,
) -> Cleaning:
    """
    A base span whose own points lie inside the limits it gives.

    A suggestion to be confirmed: leave a point out for good only when its cause is found.

    Parameters
    ----------
    chart_of : callable
        From a base to a chart, or a pair of charts, of the whole series. Moving ranges put no
        point out: a step belongs to two, and the one at fault shows on the chart of values.
    n : int
        Points in the series.
    span : (first, last), optional
        Both included; None: all.
    known : mapping of position to reason, optional
        Points left out from the start.
    most : float
        Stop when more than this share of the span is out.

    Returns
    -------
    Cleaning

    Raises
    ------
    NotEnough
        When what is left carries no limits.

    References
    ----------
    .. [1] ISO 7870-2:2023, trial limits and their revision (from memory).

    Examples
    --------
    >>> from spc.charts.shewhart import individuals_chart
    >>> x = [1.0, 2.0, 1.5, 2.0, 1.0, 2.0, 90.0, 1.0, 2.0, 1.5, 1.0]
    >>> cleaned(lambda base: individuals_chart(x, base=base), len(x)).base.excluded
    (6,)
    """
    whole = base_of(None if span is None else span, n)
    out = dict(known or {})
    rounds: list[tuple[int, ...]] = []
    while True:
        base = Base(whole.first, whole.last, tuple(sorted(out)), tuple(out[k] for k in sorted(out)))
        found = _beyond(chart_of, base)
        fresh = {place: why for place, why in found.items() if place not in out}
        if not fresh:
            return Cleaning(base, tuple(rounds), True, _says(base, rounds, settled=True))
        if base.count - len(fresh) < (1 - most) * (whole.last - whole.first + 1):
            return Cleaning(base, tuple(rounds), False, _says(base, rounds, settled=False))
        rounds.append(tuple(sorted(fresh)))
        out |= {place: f"round {len(rounds)}: {why}" for place, why in fresh.items()}


def _beyond(chart_of: Callable[[Base], Chart | ChartPair], base: Base) -> dict[int, str]:
    """Points of the span beyond a limit of any of the charts, with what was seen."""
    if base.count < 1:
        raise NotEnough("every point of the base span is excluded: no limits can be drawn")
    made = chart_of(base)
    charts = [made.location, made.spread] if isinstance(made, ChartPair) else [made]
    used = base.mask(len(charts[0].values))
    return {
        int(place): _why(each, int(place))
        for each in reversed(charts)
        if each.statistic != MOVING_RANGE
        for place in np.flatnonzero(each.beyond & used)
    }


def _why(chart: Chart, place: int) -> str:
    value = chart.values[place]
    above = value > chart.upper[place]
    limit = chart.upper[place] if above else chart.lower[place]
    return (
        f"{chart.statistic} {value:.4g} {'above' if above else 'below'} the "
        f"{'upper' if above else 'lower'} limit {limit:.4g}"
    )


def _says(base: Base, rounds: Sequence[tuple[int, ...]], *, settled: bool) -> str:
    span = f"points {base.first + 1} to {base.last + 1}"
    left_out = len(base.excluded)
    if not settled:
        return (
            f"{span}: points beyond limits keep turning up after {left_out} were left out; "
            "this span was not stable, so look for causes before taking limits from it"
        )
    if not left_out:
        return f"{span}: all lie inside the limits they give"
    return (
        f"{span}: {left_out} left out ({len(rounds)} "
        f"round{'' if len(rounds) == 1 else 's'}), the other {base.count} lie inside their limits"
    )
