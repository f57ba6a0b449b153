"""The shapes in which times are written, taken apart into the places of their figures."""

import re
from dataclasses import dataclass

from spc.intake import words

MONTHS = {
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
_WEEKDAY = r"(?:[^\W\d]{2,10}\.?,?\s+)?"
_DATE = (
    r"(?:(?P<y>\d{4})[-/.](?P<m>\d{1,2})[-/.](?P<d>\d{1,2})"
    r"|(?P<py>\d{4})(?P<pm>\d{2})(?P<pd>\d{2})(?!\d)"
    r"|(?P<a>\d{1,2})(?P<mark>[-/.])\s?(?P<b>\d{1,2})(?P=mark)\s?(?P<c>\d{4}|\d{2})(?!\d)"
    r"|(?P<nd>\d{1,2})[-. /]{1,2}(?P<nm>[^\W\d]{3,9})[-. /,]{1,2}(?P<ny>\d{4}|\d{2})(?!\d)"
    r"|(?P<um>[^\W\d]{3,9})[-. /]{1,2}(?P<ud>\d{1,2}),?[-. /]{1,2}(?P<uy>\d{4}))"
)
_CLOCK = (
    r"(?:(?P<h>\d{1,2})[:.h](?P<n>\d{2})(?:[:.m](?P<s>\d{2})(?:[.,:](?P<f>\d{1,9}))?s?)?"
    r"|(?P<ph>\d{2})(?P<pn>\d{2})(?P<ps>\d{2})?(?!\d))"
    r"\s*(?P<half>[ap]\.?\s?m\.?)?\s*(?:uhr|h)?"
)
_ZONE = r"\s*(?P<zone>z|utc|gmt|(?P<sign>[+-])(?P<zh>\d{2}):?(?P<zn>\d{2}))?"
_STAMP = re.compile(rf"^{_WEEKDAY}{_DATE}(?:(?:\s*[,t]\s*|\s+|-){_CLOCK}{_ZONE})?$", re.IGNORECASE)
_CLOCK_ALONE = re.compile(rf"^{_CLOCK}{_ZONE}$", re.IGNORECASE)
# No time is longer. Own choice.
_LONGEST = 60
# Names of groups by what they hold; alternatives of one pattern need names of their own.
_SAME = {
    "y": "y", "m": "m", "d": "d", "py": "y", "pm": "m", "pd": "d", "a": "a", "b": "b", "c": "c",
    "nd": "d", "ny": "y", "ud": "d", "uy": "y", "h": "h", "n": "n", "s": "s", "f": "f",
    "ph": "h", "pn": "n", "ps": "s", "zh": "zh", "zn": "zn",
}  # fmt: skip


@dataclass(frozen=True)
class Shape:
    """
    Where the figures stand in a written time.

    Attributes
    ----------
    spans : dict
        First place and the place behind the last: y, m, d (year, month, day) or a, b, c (in the
        order written); h, n, s, f (hour, minute, second, fraction); zh, zn (zone).
    order : str
        "ymd"; "dmy"; "?" when a and b are day and month or the reverse; "" without a date.
    month : int or None
        When it is named.
    half : str
        "a", "p" or "".
    zone : int or None
        None: not written; 0: UTC; +1 or -1: ahead of or behind UTC by zh and zn.
    """

    spans: dict[str, tuple[int, int]]
    order: str
    month: int | None = None
    half: str = ""
    zone: int | None = None


def shape_of(text: str) -> Shape | None:
    """
    The shape of one written time; None when it is none.

    Examples
    --------
    >>> shape_of("2026-11-19T06:07Z").spans["h"], shape_of("2026-11-19T06:07Z").zone
    ((11, 13), 0)
    >>> shape_of("03/04/2026 6:07 PM").order, shape_of("19.11.2026").order
    ('?', 'dmy')
    """
    if len(text) > _LONGEST:
        return None
    match = _STAMP.match(text)
    if match is None:
        # Six figures alone are more likely a number than a time of day.
        shape = clock_shape_of(text)
        return shape if shape and not text.isdigit() else None
    found = _order(match)
    return None if found is None else _shape(match, *found)


def clock_shape_of(text: str) -> Shape | None:
    """
    The shape of a cell in a column of clocks; a date in it, such as a day zero, is kept.

    Examples
    --------
    >>> clock_shape_of("060730").spans["n"], clock_shape_of("6:07 PM").half
    ((2, 4), 'p')
    """
    match = _CLOCK_ALONE.match(text) if len(text) <= _LONGEST else None
    if match is not None:
        return _shape(match, "", None)
    match = _STAMP.match(text) if len(text) <= _LONGEST else None
    return None if match is None else _shape(match, "", None)


def _shape(match: "re.Match[str]", order: str, month: int | None) -> Shape:
    return Shape(
        spans={
            _SAME[name]: match.span(name)
            for name, value in match.groupdict().items()
            if value is not None and name in _SAME
        },
        order=order,
        month=month,
        half=(match["half"] or "")[:1].lower(),
        zone=_zone(match),
    )


def _order(match: "re.Match[str]") -> tuple[str, int | None] | None:
    named = match["nm"] or match["um"]
    if named:
        month = MONTHS.get(words.key(named))
        return None if month is None else ("ymd", month)
    if match["a"] is None:
        return "ymd", None
    # Day.month.year with dots is how DIN 5008 and its neighbours write it (from memory).
    dotted = match["mark"] == "." and int(match["b"]) <= 12
    return ("dmy" if dotted else "?"), None


def _zone(match: "re.Match[str]") -> int | None:
    if not match["zone"]:
        return None
    return {"+": 1, "-": -1, None: 0}[match["sign"]]
