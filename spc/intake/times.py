"""
Written times as UTC: the order of day and month proved by the column, the zone by the plan.

All cells of one shape are read at once, from the places where their figures stand.
"""

from collections.abc import Callable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.errors import UnreadableRun
from spc.intake.clock import Shape, clock_shape_of, shape_of
from spc.intake.whole_column import digits

Stamps = NDArray[np.datetime64]
Ints = NDArray[np.int64]
Shaper = Callable[[str], Shape | None]

#: Years in which a measurement is believed. Own choice.
YEARS = (1970, 2199)
# Day 0 of spreadsheets: the 1900 system counts a 29 February 1900 that never was (ECMA-376
# part 1, 18.17.4, from memory), so that from March 1900 on its day 0 is 30 December 1899.
_DAY_ZERO = {1900: np.datetime64("1899-12-30", "us"), 1904: np.datetime64("1904-01-01", "us")}
_DAY_NUMBERS = (20_000, 110_000)
_UNIX_SECONDS = (5e8, 5e9)
_DAY = 86_400_000_000
# Shapes looked for before the rest is read cell by cell.
_MOST_SHAPES = 64
_ORDERS = {"": 0, "ymd": 1, "dmy": 2, "?": 3}
NOTHING = np.datetime64("NaT", "us")


@dataclass(eq=False)
class _Parts:
    """Times taken apart, before the order of day and month is known."""

    one: Ints
    two: Ints
    three: Ints
    micros: Ints
    order: NDArray[np.int8]
    offset: NDArray[np.float64]
    read: NDArray[np.bool_]

    @classmethod
    def blank(cls, n: int) -> "_Parts":
        one, two, three, micros = np.zeros((4, n), dtype=np.int64)
        order, offset, read = np.zeros(n, np.int8), np.full(n, np.nan), np.zeros(n, bool)
        return cls(one, two, three, micros, order, offset, read)


@dataclass(frozen=True, eq=False)
class Times:
    """
    The times of one column.

    Attributes
    ----------
    local : ndarray of datetime64[us], shape (n,)
        As written, without zone; NaT where blank or unreadable.
    offset : ndarray of float, shape (n,)
        Minutes ahead of UTC where the cell says so, else NaN.
    unreadable : ndarray of bool, shape (n,)
        Something is written there that is no time.
    clock_only : bool
        No date is written, so that `local` is on 1970-01-01.
    date_only : bool
        No time of day is written, so that the times tell nothing apart within a day.
    order : str
        How dates are written, for the preview.
    """

    local: Stamps
    offset: NDArray[np.float64]
    unreadable: NDArray[np.bool_]
    clock_only: bool
    date_only: bool
    order: str


@dataclass(frozen=True, eq=False)
class Column:
    """A column of text: its bytes, and its cells by place and as text."""

    buffer: NDArray[np.uint8]
    starts: Ints
    lengths: Ints
    text: Callable[[int], str]


def read_times(
    column: Column,
    clock: Column | None = None,
    *,
    day_first: bool | None,
    date_system: int,
    utc: bool,
    place: str,
    careful: bool = False,
) -> Times:
    """
    The times written in one column, or in a column of dates and one of clocks.

    Parameters
    ----------
    column : Column
        Dates and clocks, or dates alone.
    clock : Column, optional
        Clocks.
    day_first : bool or None
        From the plan; used only where the column does not prove the order.
    date_system : {1900, 1904}
        For the day numbers of spreadsheets.
    utc : bool
        Whether the header says that times are UTC.
    place : str
        File and column, for the refusal.
    careful : bool
        Take every cell one by one; for tests.

    Raises
    ------
    UnreadableRun
        When nothing says whether 03/04 is in March or in April.
    """
    parts = _take_apart(column, date_system, careful, shape_of)
    filled = column.lengths > 0
    if clock is not None:
        hours = _take_apart(clock, date_system, careful, clock_shape_of)
        parts.micros, parts.offset = hours.micros, hours.offset
        parts.read &= hours.read & (parts.order > 0)
        filled |= clock.lengths > 0
    words, first = _day_first(parts, day_first, place, column)
    local = _stamps(parts, first)
    offset = np.where(np.isnan(parts.offset) & utc, 0.0, parts.offset)
    clock_only = bool(parts.read.any()) and not parts.order[parts.read].any()
    date_only = bool(parts.read.any()) and not parts.micros[parts.read].any()
    return Times(local, offset, filled & np.isnat(local), clock_only, date_only, words)


def _take_apart(column: Column, date_system: int, careful: bool, shape: Shaper) -> _Parts:
    n = len(column.starts)
    parts = _Parts.blank(n)
    todo = np.flatnonzero(column.lengths > 0)
    if not careful:
        for _ in range(_MOST_SHAPES):
            if not len(todo):
                return parts
            todo = _one_shape(column, parts, todo, shape)
        todo = _plain_numbers(column, parts, todo, date_system)
    _one_by_one(column, parts, todo, date_system, shape)
    return parts


def _one_shape(column: Column, parts: _Parts, todo: Ints, shaper: Shaper) -> Ints:
    """Read every cell shaped like the first; return those still to read."""
    text = column.text(int(todo[0]))
    shape = shaper(text)
    if shape is None or not text.isascii() or len(text) != column.lengths[todo[0]]:
        # Cells that are no time go to the end, to be read one by one.
        return np.roll(todo, -1) if len(todo) > 1 else todo
    alike = column.lengths[todo] == len(text)
    own = todo[alike]
    starts = column.starts[own]
    same = np.ones(len(own), bool)
    for place, char in enumerate(text):
        code = column.buffer[starts + place]
        same &= (code - np.uint8(48)) < 10 if char.isdigit() else code == ord(char)
    own = own[same]
    starts = column.starts[own]

    def number(span: tuple[int, int]) -> Ints:
        value = np.zeros(len(own), np.int64)
        for place in range(*span):
            value = value * 10 + (column.buffer[starts + place] - np.uint8(48))
        return value

    _fill(parts, own, shape, number)
    left = np.ones(len(todo), bool)
    left[np.flatnonzero(alike)[same]] = False
    return todo[left]


def _one_by_one(
    column: Column, parts: _Parts, todo: Ints, date_system: int, shaper: Shaper
) -> None:
    seen: dict[str, list[int]] = {}
    for at in todo.tolist():
        seen.setdefault(column.text(at), []).append(at)
    for text, places in seen.items():
        shape = shaper(text)
        own = np.array(places, dtype=np.int64)
        if shape is not None:
            figures = {span: int(text[slice(*span)]) for span in shape.spans.values()}
            _fill(parts, own, shape, figures.__getitem__)
            continue
        try:
            value = float(text.replace(",", ".")) if text[-1:].isdigit() else float("nan")
        except ValueError:
            continue
        _fill_numbers(parts, own, np.full(len(own), value), date_system)


def _fill(
    parts: _Parts, own: Ints, shape: Shape, number: Callable[[tuple[int, int]], Ints | int]
) -> None:
    got: dict[str, Ints | int] = {name: number(span) for name, span in shape.spans.items()}
    hour, minute, second = got.get("h", 0), got.get("n", 0), got.get("s", 0)
    good = np.ones(len(own), bool) & (minute < 60) & (second < 60)
    if shape.half:
        good &= (hour >= 1) & (hour <= 12)
        hour = hour % 12 + (12 if shape.half == "p" else 0)
    good &= hour < 24
    micros = (hour * 3600 + minute * 60 + second) * 1_000_000
    if "f" in shape.spans:
        figures = shape.spans["f"][1] - shape.spans["f"][0]
        micros = micros + got["f"] * 10 ** max(0, 6 - figures) // 10 ** max(0, figures - 6)
    if shape.order:
        names = ("y", "m", "d") if shape.order == "ymd" else ("a", "b", "c")
        year = names[0] if shape.order == "ymd" else names[2]
        if shape.spans[year][1] - shape.spans[year][0] == 2:
            got[year] = got[year] + 2000
        if shape.month is not None:
            got["m"] = shape.month
        for part, name in zip((parts.one, parts.two, parts.three), names, strict=True):
            part[own] = got[name]
    parts.order[own] = _ORDERS[shape.order]
    parts.micros[own] = micros
    if shape.zone is not None:
        parts.offset[own] = shape.zone * (got.get("zh", 0) * 60 + got.get("zn", 0))
    parts.read[own] = good


def _plain_numbers(column: Column, parts: _Parts, todo: Ints, date_system: int) -> Ints:
    for mark in ".,":
        if len(todo):
            found = digits(column.buffer, column.starts[todo], column.lengths[todo], mark)
            own = todo[found.plain]
            _fill_numbers(parts, own, found.value[found.plain], date_system)
            todo = todo[~found.plain]
    return todo


def _fill_numbers(parts: _Parts, own: Ints, value: NDArray[np.float64], date_system: int) -> None:
    """Day numbers of spreadsheets, parts of a day, and seconds since 1970."""
    low, high = _DAY_NUMBERS
    with np.errstate(invalid="ignore"):
        day = (value >= low) & (value <= high)
        part = (value >= 0) & (value < 1)
        unix = (value >= _UNIX_SECONDS[0]) & (value < _UNIX_SECONDS[1])
    # A day number holds milliseconds at best.
    millis = np.round(np.where(day | part, value, 0.0) * 86_400_000).astype(np.int64)
    micros = np.where(unix, np.where(unix, value, 0.0).astype(np.int64) * 1_000_000, millis * 1000)
    zero = np.where(unix, np.datetime64(0, "us"), _DAY_ZERO[date_system])
    dates = (zero + (micros // _DAY) * np.timedelta64(_DAY, "us")).astype("datetime64[D]")
    months = dates.astype("datetime64[M]")
    years = dates.astype("datetime64[Y]")
    parts.one[own] = years.astype(np.int64) + 1970
    parts.two[own] = (months - years).astype(np.int64) + 1
    parts.three[own] = (dates - months).astype(np.int64) + 1
    parts.order[own] = np.where(day | unix, _ORDERS["ymd"], _ORDERS[""])
    parts.micros[own] = micros % _DAY
    parts.offset[own] = np.where(unix, 0.0, np.nan)
    parts.read[own] = day | part | unix


def _day_first(
    parts: _Parts, day_first: bool | None, place: str, column: Column
) -> tuple[str, bool]:
    """The words for the order of dates, and whether the day stands first."""
    possible = (parts.one <= 12) | (parts.two <= 12)
    open_ones = np.flatnonzero(parts.read & possible & (parts.order == _ORDERS["?"]))
    if not len(open_ones):
        dotted = bool((parts.order == _ORDERS["dmy"]).any())
        return ("day.month.year" if dotted else "year-month-day"), True
    one, two = parts.one[open_ones], parts.two[open_ones]
    day, month = bool((one > 12).any()), bool((two > 12).any())
    if day != month:
        return f"{'day' if day else 'month'} first, proved by the column", day
    if day_first is not None:
        return f"{'day' if day_first else 'month'} first, as the plan says", day_first
    raise UnreadableRun(
        f"{place}: the date {column.text(int(open_ones[0]))!r} is ambiguous: nothing in the column"
        " says whether the day or the month stands first; set day_first under [reading] in the plan"
    )


def _stamps(parts: _Parts, day_first: bool) -> Stamps:
    day_month = (parts.order == _ORDERS["dmy"]) | ((parts.order == _ORDERS["?"]) & day_first)
    month_day = (parts.order == _ORDERS["?"]) & (not day_first)
    year = np.where(day_month | month_day, parts.three, parts.one)
    month = np.where(day_month, parts.two, np.where(month_day, parts.one, parts.two))
    day = np.where(day_month, parts.one, np.where(month_day, parts.two, parts.three))
    undated = parts.order == _ORDERS[""]
    year, month, day = (np.where(undated, x, y) for x, y in ((1970, year), (1, month), (1, day)))
    good = parts.read & (year >= YEARS[0]) & (year <= YEARS[1]) & (month >= 1) & (month <= 12)
    good &= (day >= 1) & (day <= 31)
    months = (np.where(good, year - 1970, 0) * 12 + np.where(good, month - 1, 0)).astype(
        "datetime64[M]"
    )
    days = months.astype("datetime64[D]") + np.where(good, day - 1, 0)
    good &= days.astype("datetime64[M]") == months
    stamps: Stamps = np.where(good, days.astype("datetime64[us]") + parts.micros, NOTHING)
    return stamps


def to_utc(local: Stamps, offset: NDArray[np.float64], zone: ZoneInfo) -> tuple[Stamps, int]:
    """
    Local times in file order as UTC, and how many fell into the hour that comes twice.

    In that hour the order of the rows decides: the second time around begins where the clock
    falls back.
    """
    told = ~np.isnan(offset)
    utc = local - (np.where(told, offset, 0.0) * 60_000_000).astype("timedelta64[us]")
    if told.all() or zone.key == "UTC":
        return utc, 0
    index = pd.DatetimeIndex(local)
    first = _localized(index, zone, True)
    last = _localized(index, zone, False)
    twice = (first != last) & ~np.isnat(local) & ~told
    utc = np.where(told, utc, first)
    if twice.any():
        _tell_twice(utc, np.flatnonzero(twice), last)
    return utc, int(twice.sum())


def _localized(index: pd.DatetimeIndex, zone: ZoneInfo, first: bool) -> Stamps:
    zoned = index.tz_localize(
        zone, ambiguous=np.full(len(index), first), nonexistent="shift_forward"
    )
    stamps: Stamps = zoned.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[us]")
    return stamps


def _tell_twice(utc: Stamps, twice: Ints, last: Stamps) -> None:
    """Take the second time around where the first would lie before the row above."""
    known = np.where(np.isnat(utc), np.int64(-1), utc.astype(np.int64))
    for at in twice.tolist():
        above = at - 1
        while above >= 0 and known[above] < 0:
            above -= 1
        if above >= 0 and known[at] < known[above]:
            utc[at] = last[at]
            known[at] = utc[at].astype(np.int64)
