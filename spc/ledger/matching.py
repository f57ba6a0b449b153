"""
Which rows of files are stored already: a row is matched as a whole, or not at all.

A row is known by its place in a file that has grown; else by its part number and time, by its time
where nothing numbers the parts, and by its values among rows that share these. Rows that nothing
but their values tells apart are known where they overlap the end of what is stored, beyond chance.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from spc.copied import copies
from spc.ledger.told import Told

# The same number written twice agrees to so many digits of a µm. Own choice.
_DIGITS = 5

Key = tuple[object, ...]


@dataclass(eq=False)
class Held:
    """A reading that is stored; `used` once a reading of the files was found to be the same."""

    part: int
    serial: str
    time: int | None
    feature: str
    value: float
    source: int | None
    row: int | None
    used: bool = False

    def is_value(self, value: float) -> bool:
        """Whether it is this number, written twice."""
        return round(self.value, _DIGITS) == round(value, _DIGITS)


#: The readings of one row that is stored, or one that was typed.
HeldRow = list[Held]


@dataclass(eq=False)
class Matched:
    """
    What was found of the rows of files.

    Attributes
    ----------
    same : list of (Held or None)
        For each reading, the stored one that it is.
    goals : dict of int
        Parts of the files that are stored, and which parts of the ledger they are.
    overlap : Counter
        Readings of each file that are stored.
    last_known : dict
        The last part of each file that is stored.
    copied : dict of int
        Readings in a stretch of rows that stands elsewhere, and how many rows that has.
    torn : str
        A file that has grown, and tells its parts apart otherwise than it did; empty: none.
    """

    same: list[Held | None]
    goals: dict[int, int] = field(default_factory=dict)
    overlap: Counter[str] = field(default_factory=Counter)
    last_known: dict[str, int] = field(default_factory=dict)
    copied: dict[int, int] = field(default_factory=dict)
    torn: str = ""


class Matching:
    """
    The rows of files beside those stored.

    Parameters
    ----------
    told : Told
        The readings of the files.
    stored : sequence of Held
        Those that rows of the files could be the same as, in the order stored.
    families : mapping
        For each file, the numbers of the stored ones it has grown from.
    ahead : int or None
        By how much part numbers run ahead of the count, where they count the parts.
    """

    def __init__(
        self,
        told: Told,
        stored: Sequence[Held],
        families: Mapping[str, Collection[int]],
        ahead: int | None,
    ) -> None:
        self.told, self.families, self.ahead = told, families, ahead
        self.counts = told.first_number is not None and ahead is not None
        self.found = Matched([None] * len(told))
        self.rows = told.rows()
        self._by_row: dict[Key, list[HeldRow]] = {}
        self._by_key: dict[Key, list[HeldRow]] = {}
        self._newest: dict[Key, int] = {}
        self._open: list[tuple[Sequence[int], list[HeldRow]]] = []
        for row in rows_of(stored):
            self._enter(row)

    def _enter(self, row: HeldRow) -> None:
        first = row[0]
        if first.source is not None:
            self._by_row.setdefault((first.source, first.row), []).append(row)
        if self.counts:
            keys: list[Key] = [(first.part, first.time)]
        else:
            keys = [(first.serial, first.time)] if first.serial else []
            keys += [("", first.time)] if first.time is not None else []
        for key in keys:
            self._by_key.setdefault(key, []).append(row)

    def _key(self, at: int) -> Key | None:
        """What tells a row from others, its place in a file aside; None: nothing does."""
        told = self.told
        if self.counts:
            return self.counted(at), told.time[at]
        serial, time = told.own_serial(at), told.own_time(at)
        return (serial, told.time[at]) if serial else None if time is None else ("", time)

    def counted(self, at: int) -> int:
        """The part that a part number counts."""
        return self.told.number(at) - (self.ahead or 0)

    # -- the same ------------------------------------------------------------------------------

    def match(self, bare: Sequence[Held]) -> Matched:
        """
        Find what is stored.

        Parameters
        ----------
        bare : sequence of Held
            All that is stored of rows that nothing but their values tells apart.
        """
        for row in self.rows:
            self._match(row)
        self._overlap(bare)
        self.found.torn = self._torn()
        return self.found

    def _match(self, row: Sequence[int]) -> None:
        source, number = self.told.source[row[0]], self.told.row[row[0]]
        grown = [
            r for kin in self.families.get(source, ()) for r in self._by_row.get((kin, number), ())
        ]
        key = self._key(row[0])
        under = self._by_key.get(key, []) if key is not None else []
        left = list(row)
        for held in grown:
            left = self._take(left, held, whatever=True)
        for order, held in enumerate(under):
            if not left:
                break
            before = len(left)
            left = self._take(left, held, whatever=False)
            if len(left) < before and key is not None:
                self._newest[key] = max(order, self._newest.get(key, -1))
        if len(left) == len(row) or grown:
            # What stands before the last row found is an earlier reading, not another value.
            later = under[self._newest.get(key, -1) + 1 :] if key is not None else []
            self._open.append((left, [*grown, *later]))

    def _take(self, row: Sequence[int], held: HeldRow, *, whatever: bool) -> list[int]:
        """Match readings to a stored row that says nothing else; those that are left."""
        told, pairs, differs = self.told, [], False
        for feature in dict.fromkeys(told.feature[at] for at in row):
            free = [h for h in held if not h.used and h.feature == feature]
            own = [at for at in row if told.feature[at] == feature]
            unlike = 0
            for at in own:
                same = next((h for h in free if h.is_value(told.value[at])), None)
                if same is None:
                    unlike += 1
                else:
                    free.remove(same)
                    pairs.append((at, same))
            differs |= bool(unlike and free)
        if differs and not whatever:
            return list(row)
        for at, same in pairs:
            self._is(at, same)
        return [at for at in row if self.found.same[at] is None]

    def _is(self, at: int, held: Held) -> None:
        held.used = True
        told, found = self.told, self.found
        found.same[at] = held
        found.goals.setdefault(told.part[at], held.part)
        found.overlap[told.source[at]] += 1
        last = found.last_known.get(told.source[at], 0)
        found.last_known[told.source[at]] = max(told.part[at], last)

    def _overlap(self, bare: Sequence[Held]) -> None:
        """Rows that repeat the end of what is stored, or all of it, are those rows."""
        told, stored = self.told, rows_of(bare)
        new = [row for row in self.rows if self.found.same[row[0]] is None and told.bare(row[0])]
        if not new:
            return
        values = [tuple((h.feature, h.value) for h in row) for row in stored]
        values += [tuple((told.feature[at], told.value[at]) for at in row) for row in new]
        numbers = {row: number for number, row in enumerate(dict.fromkeys(values))}
        for copy in copies(np.array([numbers[row] for row in values])):
            first, end = copy.first - len(stored), copy.first - len(stored) + copy.count
            at_the_end = first == 0 and copy.earlier + copy.count == len(stored)
            inside = copy.earlier + copy.count <= len(stored)
            for n in range(max(first, 0), end):
                if inside and (at_the_end or (first == 0 and end == len(new))):
                    self._take(new[n], stored[copy.earlier + n - first], whatever=True)
                else:
                    self.found.copied |= dict.fromkeys(new[n], copy.count)

    def _torn(self) -> str:
        """A file whose rows were parts and are readings of one now, or the reverse."""
        whole: dict[Key, int] = {}
        parts: dict[Key, int] = {}
        for at, held in enumerate(self.found.same):
            source = self.told.source[at]
            if held is None or held.source not in self.families.get(source, ()):
                continue
            own = self.told.part[at]
            if whole.setdefault((source, own), held.part) != held.part:
                return source
            if parts.setdefault((source, held.part), own) != own:
                return source
        return ""

    # -- other values --------------------------------------------------------------------------

    def contradicting(self) -> dict[int, Held]:
        """
        Readings of files with stored rows that give another stored row other values.

        What such a row says alike is the same.
        """
        found: dict[int, Held] = {}
        for row, others in self._open:
            source = self.told.source[row[0]] if row else ""
            if not (row and (self.families.get(source) or self.found.overlap[source])):
                continue
            features = {self.told.feature[at] for at in row}
            for held in others:
                free = [h for h in held if not h.used and h.feature in features]
                if free:
                    for at in self._take(row, held, whatever=True):
                        left = [
                            h for h in free if not h.used and h.feature == self.told.feature[at]
                        ]
                        found |= {at: left[0]} if left else {}
                    break
        return found


def rows_of(stored: Iterable[Held]) -> list[HeldRow]:
    """Stored readings by the rows they stood in; each typed one is a row."""
    rows: dict[Key, HeldRow] = {}
    for number, held in enumerate(stored):
        key = (number,) if held.source is None else (held.source, held.row)
        rows.setdefault(key, []).append(held)
    return list(rows.values())
