"""Patterns that chance alone seldom makes on a stable chart, named by what they see."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

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
