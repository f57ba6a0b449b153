"""Rows of a gauge study: who read which part, how often, what was read, and its true value."""

import os
from dataclasses import dataclass

from spc.errors import BadQuantity, UnreadableRun
from spc.intake.decoding import content_of, text_of
from spc.intake.dialect import SEPARATORS
from spc.intake.tokens import cut_line
from spc.units import UM_PER_UNIT, read_quantity

_WHO = ("appraiser", "operator", "person", "who", "prüfer", "pruefer", "bediener", "opérateur")
_PART = ("part", "piece", "part no", "part no.", "teil", "teil-nr", "teil-nr.", "pièce", "serial")
_TRUE = ("reference", "reference value", "true value", "referenz", "referenzwert", "référence")
_READING = ("reading", "value", "size", "measured", "messwert", "wert", "mesure", "valeur")
#: A reading further from its reference than this many micrometres, and than this share of the
#: reference, is no error of a gauge but another unit, part or column: common practice, no source.
_FAR_UM, _FAR_SHARE = 100.0, 1 / 3


@dataclass(frozen=True)
class GaugeRows:
    """
    Columns of a gauge study, one entry a reading; readings in µm.

    `references_um` holds the true value of the part read; empty when the file gives none.
    """

    people: tuple[str, ...]
    parts: tuple[str, ...]
    readings_um: tuple[float, ...]
    references_um: tuple[float, ...] = ()


def read_gauge_rows(
    path: str | os.PathLike[str], *, unit: str = "mm", code_page: str = "cp1252"
) -> GaugeRows:
    """
    The rows of a gauge study.

    Parameters
    ----------
    path : str or path
        A CSV with columns for the person (may be left out), the part and the reading, and one for
        the reference value of the part where it is known; ``-`` is standard input.
    unit : {"mm", "in", "um"}
        Of readings that carry none.
    code_page : str
        Encoding when the file is not UTF.

    Raises
    ------
    UnreadableRun
        For a file without those columns, a cell that is no number, a row too short, a part with
        two reference values, or a reading nowhere near the reference of its part.
    """
    name = os.fspath(path)
    text = text_of(name, content_of(name), code_page=code_page).data.decode("utf-8-sig")
    numbered = [(row, line) for row, line in enumerate(text.split("\n"), 1) if line.strip()]
    separator, header = _header(name, numbered[0][1])
    who, part, reading, true = (_place(header, w) for w in (_WHO, _PART, _READING, _TRUE))
    if part is None or reading is None:
        raise UnreadableRun(
            f"{name}: no known column; seen: {', '.join(repr(h) for h in header)}; sought: one of "
            f"{', '.join(_PART[:2])} and one of {', '.join(_READING[:2])}, and {_WHO[0]} if there "
            "were several"
        )
    people, parts, readings, references = [], [], [], []
    known: dict[str, float] = {}
    for row, line in numbered[1:]:
        fields = cut_line(line, separator).fields or []
        if len(fields) <= max(part, reading, who or 0, true or 0):
            raise UnreadableRun(f"{name}, row {row}: too few fields; write person, part, reading")
        people.append(fields[who] if who is not None else "one person")
        parts.append(fields[part])
        readings.append(_micrometres(name, row, fields[reading], unit))
        if true is not None:
            value = _micrometres(name, row, fields[true], unit)
            if known.setdefault(fields[part], value) != value:
                raise UnreadableRun(
                    f"{name}, row {row}: part {_quoted(fields[part])} has the reference "
                    f"{_quoted(fields[true])}, another one in a row before; a part has one true "
                    "value"
                )
            if abs(readings[-1] - value) > max(_FAR_UM, _FAR_SHARE * abs(value)):
                raise UnreadableRun(
                    f"{name}, row {row}: the reading {_quoted(fields[reading])} is nowhere near "
                    f"its reference {_quoted(fields[true])} ({readings[-1]:g} µm and {value:g} "
                    "µm); write the size of the part itself in both, with units where they differ "
                    "or are not the unit taken for the file, or take the row out"
                )
            references.append(value)
    if not readings:
        raise UnreadableRun(f"{name}: no measurements below the header")
    return GaugeRows(tuple(people), tuple(parts), tuple(readings), tuple(references))


def _header(name: str, line: str) -> tuple[str, list[str]]:
    cut = {separator: cut_line(line, separator).fields or [] for separator in SEPARATORS}
    best = max(cut, key=lambda separator: len(cut[separator]))
    if len(cut[best]) < 2:
        raise UnreadableRun(f"{name}: no known column in {line.strip()!r}; a header is needed")
    return best, cut[best]


def _place(header: list[str], words: tuple[str, ...]) -> int | None:
    names = [field.strip().casefold() for field in header]
    return next((names.index(word) for word in words if word in names), None)


def _micrometres(name: str, row: int, text: str, unit: str) -> float:
    try:
        quantity = read_quantity(text)
    except BadQuantity as fault:
        raise UnreadableRun(f"{name}, row {row}: {fault}") from None
    return float(quantity.value * UM_PER_UNIT[quantity.unit or unit])


def _quoted(text: str) -> str:
    """A cell as a refusal shows it: short, and harmless in a terminal."""
    # pandas comes along with it, and a file without fault needs none.
    from spc.intake.quarantine import shortened

    return repr(shortened(text, 40))
