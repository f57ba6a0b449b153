"""
Written times as UTC: the order of day and month proved by the column, the zone by the plan.

Times are taken apart by their pattern: all cells written alike are read at once.
"""

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from spc.errors import UnreadableRun
from spc.intake import words

Stamps = NDArray[np.datetime64]

#: Years in which a measurement is believed. Own choice.
YEARS = (1970, 2199)
# Day 0 of spreadsheets: the 1900 system counts a 29 February 1900 that never was (ECMA-376
# part 1, 18.17.4, from memory), so that from March 1900 on its day 0 is 30 December 1899.
_DAY_ZERO = {"1900": np.datetime64("1899-12-30", "us"), "1904": np.datetime64("1904-01-01", "us")}
_SERIAL_DAYS = (20_000, 110_000)

_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan january januar janner janv janvier ene enero gen gennaio",
            "feb february februar fev fevr fevrier febrero febbraio",
            "mar march marz maerz mrz mars marzo",
            "apr april avr avril abr abril aprile",
            "may mai mayo mag maggio",
            "jun june juni juin junio giu giugno",
            "jul july juli juil juillet julio lug luglio",
            "aug august aout ago agosto",
            "sep sept september septembre septiembre set settembre",
            "oct october okt oktober octobre octubre ott ottobre",
            "nov november novembre noviembre",
            "dec december dez dezember decembre dic diciembre dicembre",
        ),
        1,
    )
    for name in names.split()
}
_DATE = (
    r"(?:(?P<iso>\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{8}(?!\d))"
    r"|(?P<short>\d{1,2}(?P<mark>[-/.])\s?\d{1,2}(?P=mark)\s?(?:\d{4}|\d{2})(?!\d))"
    r"|(?P<named>\d{1,2}[-. /]{1,2}[^\W\d]{3,9}[-. /,]{1,2}\d{2,4}"
    r"|[^\W\d]{3,9}[-. /]{1,2}\d{1,2},?[-. /]{1,2}\d{4}))"
)
_CLOCK = (
    r"(?:(?P<clock>\d{1,2}[:.h]\d{2}(?:[:.m]\d{2}(?:[.,:]\d{1,9})?s?)?)|(?P<packed>\d{6}|\d{4})(?!\d))"
    r"\s*(?P<half>[ap]\.?\s?m\.?)?\s*(?:uhr|h)?"
)
_ZONE = r"\s*(?P<zone>z|utc|gmt|[+-]\d{2}:?\d{2})?"
_STAMP = re.compile(rf"^{_DATE}(?:(?:\s*[,t]\s*|\s+|-){_CLOCK}{_ZONE})?$", re.IGNORECASE)
_CLOCK_ALONE = re.compile(rf"^{_CLOCK}{_ZONE}$", re.IGNORECASE)
_PLAIN_NUMBER = re.compile(r"^\d{1,14}(?:[.,]\d{1,15})?$")


@dataclass(frozen=True)
class Written:
    """One time taken apart, before the order of day and month is known."""

    numbers: tuple[int, int, int] | None
    order: str  # "ymd", "dmy", "mdy" or "?" (first and second are day and month or the reverse)
    micros: int | None
    offset_minutes: int | None


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
    clock_only : bool
        No date is written, so that `local` is on 1970-01-01.
    order : str
        How dates are written, for the preview.
    """

    local: Stamps
    offset: NDArray[np.float64]
    unreadable: NDArray[np.bool_]
    clock_only: bool
    order: str


def take_apart(text: str) -> Written | None:
    """
    The parts of one written time; None when it is none.

    Examples
    --------
    >>> take_apart("2026-11-19T06:07:30Z")
    Written(numbers=(2026, 11, 19), order='ymd', micros=22050000000, offset_minutes=0)
    >>> take_apart("03/04/2026 6:07 PM").order
    '?'
    """
    text = text.strip()
    match = _STAMP.match(text)
    if match is None:
        alone = _CLOCK_ALONE.match(text)
        micros = _micros(alone) if alone and alone["clock"] else None
        return None if micros is None else Written(None, "", micros, _offset(alone))
    clock = _micros(match) if match["clock"] or match["packed"] else 0
    date = _date(match)
    if clock is None or date is None:
        return None
    return Written(*date, clock, _offset(match))


def _date(match: "re.Match[str]") -> tuple[tuple[int, int, int], str] | None:
    if match["iso"]:
        packed = match["iso"]
        if packed.isdigit():
            return (int(packed[:4]), int(packed[4:6]), int(packed[6:])), "ymd"
        year, month, day = map(int, re.split(r"[-/.]", packed))
        return (year, month, day), "ymd"
    if match["short"]:
        one, two, year = map(int, re.split(r"[-/.]\s?", match["short"]))
        year_figures = (
            len(match["short"].rstrip()) - match["short"].rstrip().rfind(match["mark"]) - 1
        )
        # DIN 5008 and its neighbours write day.month.year with dots (common practice).
        order = "dmy" if match["mark"] == "." and two <= 12 else "?"
        return (one, two, year if year_figures > 2 else 2000 + year), order
    tokens = [t for t in re.split(r"[-. /,]+", match["named"]) if t]
    if len(tokens) != 3:
        return None
    if not tokens[0][0].isdigit():
        tokens[:2] = tokens[1::-1]
    named = _MONTHS.get(words.key(tokens[1]))
    if named is None or not tokens[0].isdigit():
        return None
    return (int(tokens[2]) + (2000 if len(tokens[2]) == 2 else 0), named, int(tokens[0])), "ymd"


def _micros(match: "re.Match[str]") -> int | None:
    if match["packed"]:
        figures = match["packed"]
        pieces = [figures[i : i + 2] for i in range(0, len(figures), 2)]
        fraction = ""
    else:
        pieces = re.split(r"[:.,hHmM]", match["clock"].rstrip("sS"))
        fraction = pieces.pop() if len(pieces) == 4 else ""
    hour, minute, second = (int(p) for p in (*pieces, "0")[:3])
    if match["half"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if match["half"][0] in "pP" else 0)
    if hour > 23 or minute > 59 or second > 59:
        return None
    return (hour * 3600 + minute * 60 + second) * 1_000_000 + int(f"{fraction:0<6}"[:6])


def _offset(match: "re.Match[str] | None") -> int | None:
    zone = match["zone"] if match else None
    if not zone:
        return None
    if zone[0] not in "+-":
        return 0
    minutes = int(zone[1:3]) * 60 + int(zone[-2:])
    return -minutes if zone[0] == "-" else minutes


def read_times(texts: list[str], *, day_first: bool | None, date_system: str, place: str) -> Times:
    """
    The times written in one column.

    Parameters
    ----------
    texts : list of str
        One per row; "" where blank.
    day_first : bool or None
        From the plan; used only where the column does not prove the order.
    date_system : {"1900", "1904"}
        For the day numbers of spreadsheets.
    place : str
        File and column, for the refusal.

    Raises
    ------
    UnreadableRun
        When nothing says whether 03/04 is in March or in April.
    """
    n = len(texts)
    local = np.full(n, np.datetime64("NaT"), dtype="datetime64[us]")
    offset = np.full(n, np.nan)
    unique = {text: i for i, text in enumerate(dict.fromkeys(texts)) if text}
    parts = [take_apart(text) or _day_number(text, date_system) for text in unique]
    order, first = _order(list(unique), parts, day_first, place)
    stamps = [_stamp(p, first) for p in parts]
    lookup = {text: i for i, text in enumerate(unique)}
    index = np.array([lookup.get(text, -1) for text in texts], dtype=np.int64)
    if len(unique):
        read = np.array(stamps, dtype="datetime64[us]")
        ahead = np.array(
            [np.nan if p is None or p.offset_minutes is None else p.offset_minutes for p in parts]
        )
        local = np.where(index >= 0, read[index], local)
        offset = np.where(index >= 0, ahead[index], offset)
    unreadable = (index >= 0) & np.isnat(local)
    dated = [p for p in parts if p is not None]
    clock_only = bool(dated) and all(p.numbers is None for p in dated)
    return Times(local, offset, unreadable, clock_only, order)


def _day_number(text: str, date_system: str) -> Written | None:
    if not _PLAIN_NUMBER.match(text):
        return None
    days = float(text.replace(",", "."))
    if _SERIAL_DAYS[0] <= days <= _SERIAL_DAYS[1]:
        moment = _DAY_ZERO[date_system].astype(datetime) + timedelta(seconds=round(days * 86400, 3))
    elif 5e8 <= days < 5e9 and text.isdigit():
        moment = datetime(1970, 1, 1) + timedelta(seconds=days)
    else:
        return None
    midnight = moment.replace(hour=0, minute=0, second=0, microsecond=0)
    micros = (moment - midnight) // timedelta(microseconds=1)
    utc = 0 if days > _SERIAL_DAYS[1] else None
    return Written((moment.year, moment.month, moment.day), "ymd", micros, utc)


def _order(
    texts: list[str], parts: list[Written | None], day_first: bool | None, place: str
) -> tuple[str, bool]:
    """The words for the order of dates, and whether the day stands first."""
    written = [p for p in parts if p is not None and p.numbers is not None]
    open_ones = [p.numbers for p in written if p.order == "?" and p.numbers]
    dotted = any(p.order == "dmy" for p in written)
    if not open_ones:
        return ("day.month.year" if dotted else "year-month-day"), True
    day = any(one > 12 for one, _, _ in open_ones)
    month = any(two > 12 for _, two, _ in open_ones)
    if day != month:
        return (
            "day first, proved by the column" if day else "month first, proved by the column"
        ), day
    if day_first is not None:
        return ("day first" if day_first else "month first") + ", as the plan says", day_first
    shown = next(t for t, p in zip(texts, parts, strict=True) if p and p.order == "?")
    raise UnreadableRun(
        f"{place}: the date {shown!r} is ambiguous: nothing in the column says whether the day or"
        " the month stands first; set day_first under [reading] in the plan"
    )


def _stamp(part: Written | None, day_first: bool) -> np.datetime64:
    nothing = np.datetime64("NaT", "us")
    if part is None:
        return nothing
    if part.numbers is None:
        return np.datetime64(part.micros or 0, "us")
    one, two, three = part.numbers
    if part.order == "ymd":
        year, month, day = one, two, three
    elif part.order == "dmy" or day_first:
        year, month, day = three, two, one
    else:
        year, month, day = three, one, two
    if not YEARS[0] <= year <= YEARS[1]:
        return nothing
    try:
        midnight = np.datetime64(datetime(year, month, day), "us")
    except ValueError:
        return nothing
    return midnight + np.timedelta64(part.micros or 0, "us")


def to_utc(local: Stamps, offset: NDArray[np.float64], zone: ZoneInfo) -> tuple[Stamps, int]:
    """
    Local times in file order as UTC, and how many fell into the hour that comes twice.

    In that hour the order of the rows decides: the second time around begins where the clock
    falls back.
    """
    index = pd.DatetimeIndex(local)
    told = ~np.isnan(offset)
    given = index - pd.to_timedelta(np.where(told, offset, 0), unit="min")
    zoned = index.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward")
    utc = zoned.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[us]")
    twice = np.isnat(utc) & ~np.isnat(local) & ~told
    if twice.any():
        early = _localized(index, zone, True)
        late = _localized(index, zone, False)
        utc = _twice(utc, twice, early, late)
    return np.where(told, given.to_numpy().astype("datetime64[us]"), utc), int(twice.sum())


def _localized(index: pd.DatetimeIndex, zone: ZoneInfo, first: bool) -> Stamps:
    summer = np.full(len(index), first)
    zoned = index.tz_localize(zone, ambiguous=summer, nonexistent="shift_forward")
    stamps: Stamps = zoned.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[us]")
    return stamps


def _twice(utc: Stamps, twice: NDArray[np.bool_], early: Stamps, late: Stamps) -> Stamps:
    before = np.datetime64("NaT", "us")
    for i in range(len(utc)):
        if twice[i]:
            fallen = not np.isnat(before) and early[i] < before
            utc[i] = late[i] if fallen else early[i]
        if not np.isnat(utc[i]):
            before = utc[i]
    return utc
