"""What further charts are made of, and what one of them is."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np

from spc.charts.doubts import FEW, sigma_interval
from spc.charts.limits import Base, Chart, joined
from spc.plan import Feature, Plan
from spc.run import Run
from spc.series import Floats, Ints, Series
from spc.sigma import moving_range_degrees

#: Fewest groups, or parts with repeats, in the base span that limits can be estimated from.
FEWEST = 2
ABOUT_LINES = "points are taken about the wear lines, so that expected drift does not signal"
OWN_LINE = (
    "a wear line is drawn through its own dress cycle, so it takes a part of any lasting shift for "
    "itself: a shift shows later, and smaller, than about a line known beforehand"
)
BY_SIZE = "points are deviations from nominal as measured, with wear and offsets in them"


@dataclass(frozen=True, eq=False)
class MoreChart:
    """
    One further chart of a feature: its panels from the top, and what has to be said with them.

    Attributes
    ----------
    name : str
        As the plan asks for it.
    charts : tuple of Chart
        One panel each, all with n points; empty where the run gives too little, and `remarks`
        then says why.
    parts : ndarray of int, shape (n,)
        The part each point stands at: of a group, its last.
    firsts : ndarray of int, shape (n,)
        First part behind each point; the same as `parts` for single parts.
    remarks : tuple of str
        What the chart shows, most important first; no full stops.
    presumes : tuple of str
        What it takes for granted.
    unit : str
        Of the first panel: "um", or "sigmas".
    levels : tuple of (str, float)
        Further level lines of the first panel, with their names. [unit]
    group : int
        Parts behind each point.
    """

    name: str
    charts: tuple[Chart, ...]
    parts: Ints
    firsts: Ints
    remarks: tuple[str, ...]
    presumes: tuple[str, ...] = ()
    unit: str = "um"
    levels: tuple[tuple[str, float], ...] = ()
    group: int = 1


@dataclass(frozen=True, eq=False)
class Basis:
    """What every further chart of a feature is made from."""

    plan: Plan
    feature: Feature
    series: Series
    sloping: Chart
    base: Base | None
    run: Run | None

    @cached_property
    def about(self) -> Floats:
        """Deviations about the wear lines, shape (m,). [µm]"""
        return self.sloping.values - self.sloping.center

    @cached_property
    def stretches(self) -> list[tuple[int, int, float, str]]:
        """First and last-plus-one position, sigma and reason of each set of limits."""
        lines = self.sloping
        starts = [0, *(change.position for change in lines.changes)]
        return list(
            zip(
                starts,
                [*starts[1:], len(self.series)],
                [*lines.earlier_sigmas, lines.sigma],
                ["", *(change.says for change in lines.changes)],
                strict=True,
            )
        )

    @cached_property
    def spans(self) -> list[tuple[int, int, float]]:
        """
        The stretches broken at dresses, with their sigma.

        A dress is a known cause: what was summed up before it says nothing of the parts after.
        """
        dressed = np.flatnonzero(np.diff(self.series.cycle)) + 1
        found = []
        for start, end, sigma, _ in self.stretches:
            edges = [start, *dressed[(dressed > start) & (dressed < end)].tolist(), end]
            found += [(first, last, sigma) for first, last in pairwise(edges)]
        return found

    def broken_at_dresses(
        self,
        chart_of: Callable[[Floats, Base | None], tuple[Chart, ...]],
        values: Floats,
        at: Ints,
        base: Base | None,
    ) -> tuple[Chart, ...]:
        """
        Charts of some parts, no step or likeness carried across a dress.

        Parameters
        ----------
        chart_of : callable
            Makes charts from values, NaN where they are missing, and a base span.
        values : ndarray, shape (k, ...)
            One row a part.
        at : ndarray of int, shape (k,)
            Positions of these parts.
        base : Base or None
            Positions among the k.
        """
        place = np.arange(len(at)) + np.cumsum(np.diff(self.series.cycle[at], prepend=0) != 0)
        gapped = np.full((int(place[-1]) + 1 if len(place) else 0, *values.shape[1:]), np.nan)
        gapped[place] = values
        moved = base and Base(
            int(place[base.first]),
            int(place[base.last]),
            tuple(int(place[each]) for each in base.excluded),
            base.reasons,
        )
        return tuple(_taken(each, place, base) for each in chart_of(gapped, moved))

    @property
    def is_frozen(self) -> bool:
        """Whether sigma about the lines was frozen in the plan, not estimated."""
        return self.sloping.base is None

    @cached_property
    def groups(self) -> Ints:
        """Positions of consecutive parts inside a dress cycle, shape (k, group)."""
        size, n = self.plan.charts.group, len(self.series)
        stretch = np.searchsorted([start for start, *_ in self.stretches], np.arange(n), "right")
        new = np.flatnonzero(np.diff(self.series.cycle) | np.diff(stretch)) + 1
        edges = np.concatenate([[0], new, [n]])
        firsts = [np.arange(a, b - size + 1, size) for a, b in pairwise(edges)]
        return np.concatenate(firsts).astype(np.int64)[:, None] + np.arange(size)

    def base_of_groups(self) -> Base | None:
        """Groups that lie in the base span whole, those with a part left out set aside."""
        if self.base is None or not len(self.groups):
            return None
        inside = (self.groups[:, 0] >= self.base.first) & (self.groups[:, -1] <= self.base.last)
        mine = np.flatnonzero(inside)
        if not len(mine):
            return None
        out = np.isin(self.groups, list(self.base.excluded)).any(axis=1) & inside
        excluded = tuple(np.flatnonzero(out).tolist())
        reasons = ("holds a part that was left out of the base span",) * len(excluded)
        base = Base(int(mine[0]), int(mine[-1]), excluded, reasons)
        return base if base.count >= FEWEST else None

    @property
    def dropped(self) -> tuple[str, ...]:
        """What the groups leave out, in words."""
        left = len(self.series) - self.groups.size
        if not left:
            return ()
        were = "part was" if left == 1 else "parts were"
        return (
            f"{left} measured {were} left over at the end of a dress cycle, too few for a group "
            f"of {self.plan.charts.group}, and {'is' if left == 1 else 'are'} not drawn here",
        )


# --- pieces -------------------------------------------------------------------------------------


def end_to_end(basis: Basis, pieces: list[Chart]) -> Chart:
    """One piece a span as one chart, on the base span of the wear lines."""
    starts = np.array([start for start, *_ in basis.spans])
    stretches = [
        _run_on([piece for piece, begins in zip(pieces, starts, strict=True) if a <= begins < b])
        for a, b, *_ in basis.stretches
    ]
    if len(stretches) == 1:
        return replace(stretches[0], base=basis.sloping.base)
    return joined(*stretches, why=[why for *_, why in basis.stretches[1:]])


def _taken(chart: Chart, place: Ints, base: Base | None) -> Chart:
    """Some points of a chart, on the base span as it lies among them."""
    return replace(
        chart,
        values=chart.values[place],
        center=chart.center[place],
        lower=chart.lower[place],
        upper=chart.upper[place],
        base=base,
    )


def _run_on(pieces: list[Chart]) -> Chart:
    """Pieces with the same limits as one chart without a change."""
    return replace(
        pieces[0],
        values=np.concatenate([each.values for each in pieces]),
        center=np.concatenate([each.center for each in pieces]),
        lower=np.concatenate([each.lower for each in pieces]),
        upper=np.concatenate([each.upper for each in pieces]),
    )


def single(basis: Basis, *charts: Chart, says: Iterable[str], **more: Any) -> MoreChart:
    """Panels with one point a measured part; empty remarks left out."""
    parts = basis.series.parts
    return MoreChart("", charts, parts, parts, tuple(word for word in says if word), **more)


def grouped(basis: Basis, *charts: Chart, says: Iterable[str], **more: Any) -> MoreChart:
    """Panels with one point a group of parts."""
    parts = basis.series.parts[basis.groups]
    size = basis.plan.charts.group
    return MoreChart("", charts, parts[:, -1], parts[:, 0], tuple(says), group=size, **more)


def nothing(why: str) -> MoreChart:
    """No chart, and the reason."""
    none = np.empty(0, dtype=np.int64)
    return MoreChart("", (), none, none, (why,))


def few(points: int, sigma: float, degrees: float, what: str = "points") -> tuple[str, ...]:
    """That limits rest on too few points, where they do."""
    if points >= FEW:
        return ()
    low, high = sigma_interval(sigma, degrees)
    return (
        f"limits rest on {points} {what}: sigma {sigma:.2g} µm may be anything from {low:.2g} to "
        f"{high:.2g} µm (95 %); estimate again when there are {FEW}",
    )


def few_steps(chart: Chart) -> tuple[str, ...]:
    """The same for a chart whose sigma comes from moving ranges."""
    if chart.base is None:
        return ()
    return few(chart.base.count, chart.sigma, moving_range_degrees(chart.base.count), "parts")


def plural(count: int, word: str) -> str:
    """A count with its word."""
    return f"{count} {word}{'' if count == 1 else 's'}"
