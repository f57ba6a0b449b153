"""
Signals: where a chart shows a pattern that chance alone seldom makes.

Every pattern can be chosen alone; a combination's false alarms are computed in `run_length`.
Patterns read `Chart.z`, on which 3 is the upper limit. They presume independent points, so they
belong on charts of single parts, means and standard deviations; on moving ranges, whose
neighbours share a value, and on weighted means and sums only "beyond" means anything.
"""

import gc
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cached_property
from itertools import repeat
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.charts.patterns import ALL, DEFAULT, PATTERNS, Pattern, chosen

__all__ = [
    "ALL",
    "DEFAULT",
    "PATTERNS",
    "Pattern",
    "Signal",
    "chosen",
    "completed",
    "to_frame",
    "watch",
]

Flags = NDArray[np.bool_]


class Signal(NamedTuple):
    """
    A pattern seen, from its first point to its last, both included.

    `side` is +1 above or rising, -1 below or falling, 0 for both sides together. A named tuple,
    not a dataclass: ten million points hold some hundred thousand signals.
    """

    pattern: str
    first: int
    last: int
    side: int
    says: str
    source: str


def watch(
    z: ArrayLike,
    patterns: Iterable[str | Pattern] | None = None,
    *,
    one_side: int = 9,
    climb: int = 6,
) -> tuple[Signal, ...]:
    """
    Every pattern seen on a chart, pattern by pattern, overlapping sightings made one.

    Parameters
    ----------
    z : array_like, shape (n,)
        `Chart.z`. Missing points (NaN) are passed over: those around them are neighbours.
    patterns : iterable of str or Pattern, optional
        Names from `PATTERNS`, or patterns of one's own; None: `DEFAULT`.
    one_side : int
        Points that make a run on one side.
    climb : int
        Points that make a climb or fall.

    Returns
    -------
    tuple of Signal
        Positions count from 0 and are those of `z`. Each point beyond a limit is a signal
        of its own.

    Examples
    --------
    >>> [(s.first, s.last, s.says) for s in watch([0.2, 3.4, 0.1])]
    [(1, 1, 'a point beyond the upper limit')]
    """
    z = np.asarray(z, dtype=float)
    at = None
    missing = np.isnan(z)
    if missing.any():
        at = np.flatnonzero(~missing)
        z = z[at]
    watched = chosen(patterns, one_side=one_side, climb=climb)
    seen: list[Signal] = []
    with _no_collecting():
        for (pattern, side), last in _last_points(z, watched).items():
            first, last = _episodes(last, pattern.among)
            seen += _signals(pattern, side, first, last, at)
    return tuple(seen)


@contextmanager
def _no_collecting() -> Iterator[None]:
    """
    Hold back the collector of garbage.

    Signals are many and none of them is garbage: looking through them again and again while they
    are made takes as long as making them (measured).
    """
    held = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if held:
            gc.enable()


# Blocks small enough for the fast memory: each comparison is made once, where all patterns
# that need it look at the same few points.
_BLOCK = 1 << 15


def _last_points(z: Any, watched: tuple[Pattern, ...]) -> dict[tuple[Pattern, int], Any]:
    """Positions at which each pattern is complete, for each side it tells apart."""
    before = max((pattern.among for pattern in watched), default=1) - 1
    found: dict[tuple[Pattern, int], list[Any]] = {}
    for start in range(0, len(z), _BLOCK):
        back = min(start, before)
        look = _Look(z[start - back : start + _BLOCK])
        for pattern in watched:
            for side, made in look.completed(pattern):
                places = np.flatnonzero(made[back:])
                found.setdefault((pattern, side), []).append(places + start)
    return {key: np.concatenate(places) for key, places in found.items()}


def completed(z: ArrayLike, pattern: Pattern) -> list[tuple[int, Flags]]:
    """
    Where a pattern is complete: its last point.

    Parameters
    ----------
    z : array_like, shape (..., n)
        Series along the last axis, without missing points.

    Returns
    -------
    list of (side, ndarray of bool, shape (..., n))
        One for each side the pattern tells apart.
    """
    return _Look(np.asarray(z, dtype=float)).completed(pattern)


class _Look:
    """Points and every comparison made of them so far."""

    def __init__(self, z: Any) -> None:
        self.z = z
        self._above: dict[float, Flags] = {}
        self._below: dict[float, Flags] = {}

    def above(self, edge: float) -> Flags:
        if edge not in self._above:
            self._above[edge] = self.z > edge
        return self._above[edge]

    def below(self, edge: float) -> Flags:
        if edge not in self._below:
            self._below[edge] = self.z < edge
        return self._below[edge]

    def between(self, low: float, high: float) -> Flags:
        if high == np.inf:
            return self.above(low)
        if low == -np.inf:
            return self.below(high)
        return self.above(low) & self.below(high)

    def away(self, low: float, high: float) -> Flags:
        """Between on either side of the centre."""
        inside = self.above(-high) & self.below(high) if high < np.inf else None
        outside = self.above(low) | self.below(-low) if low >= 0 else None
        if inside is None or outside is None:
            only = outside if inside is None else inside
            return np.ones(self.z.shape, bool) if only is None else only
        return inside & outside

    def completed(self, pattern: Pattern) -> list[tuple[int, Flags]]:
        if pattern.order:
            return self._orders(pattern)
        if pattern.either_side:
            return [(0, _so_many(self.away(pattern.low, pattern.high), pattern))]
        return [
            (+1, _so_many(self.between(pattern.low, pattern.high), pattern)),
            (-1, _so_many(self.between(-pattern.high, -pattern.low), pattern)),
        ]

    @cached_property
    def steps(self) -> tuple[Flags, Flags]:
        z = self.z
        up, down = np.zeros(z.shape, bool), np.zeros(z.shape, bool)
        np.greater(z[..., 1:], z[..., :-1], out=up[..., 1:])
        np.less(z[..., 1:], z[..., :-1], out=down[..., 1:])
        return up, down

    def _orders(self, pattern: Pattern) -> list[tuple[int, Flags]]:
        steps = pattern.among - 1
        up, down = self.steps
        if pattern.order == "climb":
            return [(+1, _in_a_row(up, steps)), (-1, _in_a_row(down, steps))]
        turn = np.zeros(up.shape, bool)
        turn[..., 2:] = (up[..., 2:] & down[..., 1:-1]) | (down[..., 2:] & up[..., 1:-1])
        return [(0, _in_a_row(turn, steps - 1))]


def _so_many(hit: Flags, pattern: Pattern) -> Flags:
    """Where `count` of the last `among` hold, the point itself being one of them."""
    count, among = pattern.count, pattern.among
    if count == among:
        return _in_a_row(hit, among)
    # A pattern is completed by a point of its own kind only.
    seen = hit.view(np.int8)
    total = seen.copy()
    for back in range(1, among):
        total[..., back:] += seen[..., :-back]
    return (total >= count) & hit


def _in_a_row(hit: Flags, length: int) -> Flags:
    """Where the last `length` all hold, by doubling the stretch looked at."""
    held, covered = hit, 1
    while covered < length:
        step = min(covered, length - covered)
        further = np.zeros_like(held)
        np.logical_and(held[..., step:], held[..., :-step], out=further[..., step:])
        held, covered = further, covered + step
    return held


def _episodes(last: Any, length: int) -> tuple[Any, Any]:
    """First and last points of each sighting, overlapping ones made one."""
    if length == 1 or not len(last):
        return last, last
    # Sightings that share points are one: the next ends less than `length` points later.
    new = np.flatnonzero(np.diff(last) >= length) + 1
    begins, ends = np.concatenate([[0], new]), np.concatenate([new - 1, [len(last) - 1]])
    return np.maximum(last[begins] - (length - 1), 0), last[ends]


def _signals(pattern: Pattern, side: int, first: Any, last: Any, at: Any) -> Iterable[Signal]:
    lengths = (last - first + 1).tolist()
    says = {length: _says(pattern, side, length) for length in set(lengths)}
    if at is not None:
        first, last = at[first], at[last]
    rows = zip(
        repeat(pattern.name),
        first.tolist(),
        last.tolist(),
        repeat(side),
        map(says.__getitem__, lengths),
        repeat(pattern.source),
        strict=False,  # the repeated ones never end
    )
    return map(Signal._make, rows)


def _says(pattern: Pattern, side: int, length: int) -> str:
    row = f"{length} points in a row"
    if pattern.order == "climb":
        return f"{row}, each {'higher' if side > 0 else 'lower'} than the last"
    if pattern.order == "see_saw":
        return f"{row} up and down by turns"
    if pattern.among == 1:
        row = "a point"
    elif pattern.count < pattern.among:
        row = f"{pattern.count} of {pattern.among} points in a row"
    return f"{row} {_where(pattern, side)}"


def _where(pattern: Pattern, side: int) -> str:
    if not side:
        low, high = pattern.low, pattern.high
        within = "" if high == np.inf else f"within {high:g}/3 of the way to the limits"
        without = "" if low <= 0 else f"not within {low:g}/3 of the way to the limits"
        return " and ".join(part for part in (within, without) if part) or "anywhere"
    limit = "upper" if side > 0 else "lower"
    if pattern.low == 3:
        where = f"beyond the {limit} limit"
    elif pattern.low == 0:
        where = f"{'above' if side > 0 else 'below'} the centre"
    else:
        where = f"more than {pattern.low:g}/3 of the way to the {limit} limit"
    return where if pattern.high == np.inf else f"{where}, less than {pattern.high:g}/3"


def to_frame(found: Iterable[Signal]) -> Any:
    """
    One row a signal, as a pandas DataFrame with the fields of `Signal`.

    Examples
    --------
    >>> to_frame(watch([0.2, 3.4, 0.1]))["pattern"].tolist()
    ['beyond']
    """
    import pandas as pd

    return pd.DataFrame(list(found), columns=list(Signal._fields))
