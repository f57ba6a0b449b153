"""
Signals: patterns that chance alone seldom makes on a stable chart, named by what they see.

Every pattern can be chosen alone; a combination's false alarms are computed in `run_length`.
Patterns read `Chart.z`, on which 3 is the upper limit. They presume independent points, so they
belong on charts of single parts, means and standard deviations; on moving ranges, whose
neighbours share a value, and on weighted means and sums only "beyond" means anything.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import repeat
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Flags = NDArray[np.bool_]

_NELSON = "L. S. Nelson (1984), J. Quality Technology 16, 237-239; ISO 7870-2:2023 (from memory)"
_WESTERN = (
    "Western Electric, Statistical Quality Control Handbook (1956), part B; "
    "ISO 7870-2:2023 (from memory)"
)


@dataclass(frozen=True)
class Pattern:
    """
    What to look for: `count` of the last `among` points between `low` and `high`.

    Attributes
    ----------
    name : str
        Our word for it.
    sees : str
        What it sees, in words; ``{count}``, ``{among}``, ``{low}`` and ``{high}`` are filled in.
    source : str
        Where it was published.
    count, among : int
        So many of so many neighbouring points. For an order pattern both are its length.
    low, high : float
        Distance from the centre, in thirds of the way to a limit, both excluded.
    either_side : bool
        Points above and below count together; otherwise all must lie on one side.
    order : str
        "" for a pattern of distances; "climb" or "see_saw" for one of rises and falls.
    """

    name: str
    sees: str
    source: str
    count: int = 1
    among: int = 1
    low: float = 0.0
    high: float = np.inf
    either_side: bool = False
    order: str = ""

    def __post_init__(self) -> None:
        """Refuse a pattern that no points could make."""
        if not 1 <= self.count <= self.among:
            raise ValueError(f"pattern {self.name!r}: {self.count} of {self.among} points")
        if self.order and self.among < 3:
            raise ValueError(f"pattern {self.name!r}: an order needs three points")

    @property
    def words(self) -> str:
        """What it sees, with its numbers."""
        return self.sees.format(
            count=self.count, among=self.among, low=f"{self.low:g}", high=f"{self.high:g}"
        )


#: Name -> description and source, at the usual lengths.
PATTERNS: dict[str, Pattern] = {
    each.name: each
    for each in (
        Pattern(
            "beyond",
            "a point beyond a limit",
            "W. A. Shewhart (1931), Economic Control of Quality of Manufactured Product; "
            "ISO 7870-2:2023 (from memory)",
            low=3.0,
        ),
        Pattern(
            "one_side",
            "{count} points in a row on one side of the centre",
            _NELSON,
            count=9,
            among=9,
        ),
        Pattern(
            "two_of_three",
            "{count} of {among} points in a row more than {low}/3 of the way to one limit",
            _WESTERN,
            count=2,
            among=3,
            low=2.0,
        ),
        Pattern(
            "four_of_five",
            "{count} of {among} points in a row more than {low}/3 of the way to one limit",
            _WESTERN,
            count=4,
            among=5,
            low=1.0,
        ),
        Pattern(
            "climb",
            "{count} points in a row each higher, or each lower, than the last",
            _NELSON,
            count=6,
            among=6,
            order="climb",
        ),
        Pattern(
            "see_saw",
            "{count} points in a row up and down by turns",
            _NELSON,
            count=14,
            among=14,
            order="see_saw",
        ),
        Pattern(
            "hugging",
            "{count} points in a row within a third of the way to the limits",
            _NELSON,
            count=15,
            among=15,
            low=-np.inf,
            high=1.0,
            either_side=True,
        ),
        Pattern(
            "avoiding",
            "{count} points in a row, none within a third of the way to the limits",
            _NELSON,
            count=8,
            among=8,
            low=1.0,
            either_side=True,
        ),
    )
}
#: Beyond a limit finds large errors at once, a run on one side finds small lasting ones, and the
#: pair still cries wolf only once in some 217 points. Each further pattern costs more false
#: alarms than it gains on a process that is watched anyway (Champ & Woodall 1987); a climb finds
#: steady drift no sooner (Davis & Woodall 1988), and drift by wear is in the sloping charts.
DEFAULT: tuple[str, ...] = ("beyond", "one_side")
ALL: tuple[str, ...] = tuple(PATTERNS)


@dataclass(frozen=True)
class Signal:
    """
    A pattern seen, from its first point to its last, both included.

    `side` is +1 above or rising, -1 below or falling, 0 for both sides together.
    """

    pattern: str
    first: int
    last: int
    side: int
    says: str
    source: str


def chosen(
    patterns: Iterable[str | Pattern] | None = None, *, one_side: int = 9, climb: int = 6
) -> tuple[Pattern, ...]:
    """
    The patterns meant by their names, or by themselves.

    Parameters
    ----------
    patterns : iterable of str or Pattern, optional
        Names from `PATTERNS`, or patterns of one's own; None: `DEFAULT`.
    one_side, climb : int
        Lengths of these two, where they are named.

    Raises
    ------
    ValueError
        For a name that is not known.

    Examples
    --------
    >>> [pattern.words for pattern in chosen(["one_side"], one_side=8)]
    ['8 points in a row on one side of the centre']
    """
    return tuple(
        each if isinstance(each, Pattern) else _named(each, one_side, climb)
        for each in (DEFAULT if patterns is None else patterns)
    )


def _named(name: str, one_side: int, climb: int) -> Pattern:
    if name not in PATTERNS:
        raise ValueError(f"pattern {name!r} is not known; there are {', '.join(PATTERNS)}")
    length = {"one_side": one_side, "climb": climb}.get(name)
    pattern = PATTERNS[name]
    return replace(pattern, count=length, among=length) if length else pattern


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
    if len(z) and np.isnan(z).any():
        at = np.flatnonzero(~np.isnan(z))
        z = z[at]
    seen: list[Signal] = []
    for pattern in chosen(patterns, one_side=one_side, climb=climb):
        for side, made in completed(z, pattern):
            first, last = _episodes(made, pattern.among, merged=pattern.among > 1)
            seen += _signals(pattern, side, first, last, at)
    return tuple(seen)


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
    z = np.asarray(z, dtype=float)
    if pattern.order:
        return _orders(z, pattern)
    if pattern.either_side:
        away = np.abs(z)
        return [(0, _so_many(_between(away, pattern.low, pattern.high), pattern))]
    above = _between(z, pattern.low, pattern.high)
    below = _between(z, -pattern.high, -pattern.low)
    return [(+1, _so_many(above, pattern)), (-1, _so_many(below, pattern))]


def _between(z: Any, low: float, high: float) -> Flags:
    if high == np.inf:
        return np.asarray(z > low)
    if low == -np.inf:
        return np.asarray(z < high)
    return np.asarray((z > low) & (z < high))


def _so_many(hit: Flags, pattern: Pattern) -> Flags:
    """Where `count` of the last `among` hold, the point itself being one of them."""
    count, among = pattern.count, pattern.among
    if count == among:
        return _in_a_row(hit, among)
    # A pattern is completed by a point of its own kind only.
    seen = hit.astype(np.int8)
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


def _orders(z: Any, pattern: Pattern) -> list[tuple[int, Flags]]:
    steps = pattern.among - 1
    up, down = np.zeros(z.shape, bool), np.zeros(z.shape, bool)
    np.greater(z[..., 1:], z[..., :-1], out=up[..., 1:])
    np.less(z[..., 1:], z[..., :-1], out=down[..., 1:])
    if pattern.order == "climb":
        return [(+1, _in_a_row(up, steps)), (-1, _in_a_row(down, steps))]
    turn = np.zeros(z.shape, bool)
    turn[..., 2:] = (up[..., 2:] & down[..., 1:-1]) | (down[..., 2:] & up[..., 1:-1])
    return [(0, _in_a_row(turn, steps - 1))]


def _episodes(made: Flags, length: int, *, merged: bool) -> tuple[Any, Any]:
    """First and last points of each sighting, overlapping ones made one."""
    last = np.flatnonzero(made)
    if not merged or not len(last):
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
    return map(
        Signal,
        repeat(pattern.name),
        first.tolist(),
        last.tolist(),
        repeat(side),
        map(says.__getitem__, lengths),
        repeat(pattern.source),
    )


def _says(pattern: Pattern, side: int, length: int) -> str:
    above, upper, higher = {
        1: ("above", "upper", "higher"),
        -1: ("below", "lower", "lower"),
        0: ("", "", ""),
    }[side]
    if pattern.name == "beyond":
        return f"a point beyond the {upper} limit"
    if pattern.order == "climb":
        return f"{length} points in a row, each {higher} than the last"
    if pattern.order == "see_saw":
        return f"{length} points in a row up and down by turns"
    if pattern.name == "one_side":
        return f"{length} points in a row {above} the centre"
    if side:
        return (
            f"{pattern.count} of {pattern.among} points in a row more than "
            f"{pattern.low:g}/3 of the way to the {upper} limit"
        )
    return f"{length} {pattern.words.split(' ', 1)[1]}"
