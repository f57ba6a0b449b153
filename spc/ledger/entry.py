"""One entry: what is said of it before it is stored, and what stands in the ledger after."""

import math
import re
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Self

# A number of so many digits is surely below 2^63; spreadsheets write 118.0 for part 118.
_WHOLE = re.compile(r"([0-9]{1,18})(?:[.,]0+)?")
#: Text no database or JSON reader takes as it is.
_UNSTORABLE = dict.fromkeys([0, *range(0xD800, 0xE000)], "\ufffd")


@dataclass(frozen=True)
class Entry:
    """
    A reading, an event or what was said about them. Its line and place in the chain come later.

    Parameters
    ----------
    kind : str
        One of `spc.ledger.tables.KINDS`.
    part : int
        The part it belongs to; events, parts and answers stand after it.
    serial : str
        The part number as written.
    time : int, optional
        When, in microseconds since 1970 UTC.
    what : str
        Feature of a reading, kind of an event, action that was advised, column of a reject.
    value : float, optional
        Deviation of a reading; amount of an event, on diameter, + bigger. [µm]
    size, decimals, repeat : float, int, int, optional
        Of a reading, as in `spc.run.MEASUREMENT_COLUMNS`.
    minutes : float, optional
        Length of a pause.
    text, note : str
        As written (of a reading from a file: the place on a pallet or the like, where one is); the
        note of an event, the reason of a reject or a correction.
    source, row : int, optional
        File and line it came from; None when typed.
    corrects : int, optional
        Line it takes back or replaces.
    who, gauge : str
        Role and gauge, where they are known.
    celsius : float, optional
        Temperature of the part.
    """

    kind: str
    part: int = 0
    serial: str = ""
    time: int | None = None
    what: str = ""
    value: float | None = None
    size: float | None = None
    decimals: int | None = None
    repeat: int | None = None
    minutes: float | None = None
    text: str = ""
    note: str = ""
    source: int | None = None
    row: int | None = None
    corrects: int | None = None
    who: str = ""
    gauge: str = ""
    celsius: float | None = None

    def row_values(self) -> tuple[Any, ...]:
        """The fields in the order of the table, fit to be stored."""
        return (
            self.kind, self.part, storable(self.serial), self.time, storable(self.what),
            number(self.value), number(self.size), self.decimals, self.repeat,
            number(self.minutes), storable(self.text), storable(self.note), self.source, self.row,
            self.corrects, storable(self.who), storable(self.gauge), number(self.celsius),
        )  # fmt: skip


@dataclass(frozen=True)
class Stored(Entry):
    """An entry that stands in the ledger."""

    line: int = 0
    stored: int = 0

    @property
    def place(self) -> tuple[int, int]:
        """Order in the run: by part, then by line; a replacement stands where the first stood."""
        return self.part, self.corrects or self.line

    @classmethod
    def of(cls, row: Sequence[Any]) -> Self:
        """From a row of the table: line, run, stored, then the fields of `Entry`."""
        told = (*row[3:], row[0], row[2])
        return cls(*told)


def storable(text: str) -> str:
    """Text with what no database keeps replaced by a mark that shows it."""
    return text if text.isascii() and "\0" not in text else text.translate(_UNSTORABLE)


def number(value: float | None) -> float | None:
    """A float every database gives back unchanged; NaN is nothing, minus zero is zero."""
    if value is None:
        return None
    value = float(value)
    return None if math.isnan(value) else value + 0.0


def whole(text: str) -> int | None:
    """
    The whole number that a text of digits alone writes; None for anything else.

    Superscripts and digits of other scripts are none, nor is more than a database can count.

    Examples
    --------
    >>> whole("0118"), whole("118,0"), whole("²"), whole("-3"), whole("9" * 5000)
    (118, 118, None, None, None)
    """
    match = _WHOLE.fullmatch(text)
    return int(match[1]) if match else None


def now_us() -> int:
    """Microseconds since 1970 UTC, by this machine's clock."""
    return time.time_ns() // 1000
