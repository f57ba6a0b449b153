"""A plan drafted from a file, with questions about everything a file cannot tell."""

import json
import os
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from spc.errors import BadQuantity, UnreadableRun
from spc.intake import words
from spc.intake.cells import Convention, may_group, read_number
from spc.intake.columns import split_unit
from spc.intake.decoding import content_of, text_of
from spc.intake.dialect import SEPARATORS
from spc.intake.tokens import cut_line

_KINDS = {
    "roundness": ("round", "rund", "circular", "ovalit"),
    "roughness": ("rough", "rauh", "rauheit", "rugosit", "ra", "rz"),
    "taper": ("taper", "konus", "conicit", "konizit"),
    "runout": ("runout", "rundlauf", "battement", "concentric"),
    "bore": ("bore", "bohrung", "alesage"),
    "length": ("length", "lange", "longueur", "width", "breite"),
}
_SAMPLE = 500
# Numbers smaller than this share of an inch are no sizes of ground parts. Own choice.
_SMALLEST_SIZE = {"mm": 0.5, "in": 0.02, "um": 500.0}


@dataclass(frozen=True)
class Draft:
    """
    A plan to be completed.

    Attributes
    ----------
    toml : str
        The plan, its gaps commented out with a question mark.
    questions : tuple of str
        What the file cannot tell.
    """

    toml: str
    questions: tuple[str, ...]


@dataclass(frozen=True)
class _Grid:
    """Header and rows under the separator that suits the file best."""

    headers: list[str]
    rows: list[list[str]]
    convention: Convention


@dataclass(frozen=True)
class _Seen:
    """One characteristic found in the file."""

    name: str
    unit: str | None
    values: list[float]
    side_by_side: int


def draft_plan(path: str | os.PathLike[str], *, code_page: str = "cp1252") -> Draft:
    """
    Draft a plan from a measurement file.

    Parameters
    ----------
    path : str or path
        The file.
    code_page : str
        Its encoding when it is not UTF.

    Raises
    ------
    UnreadableRun
        When the file cannot be read or has no column of numbers.
    """
    name = os.fspath(path)
    text = text_of(name, content_of(name), code_page=code_page)
    lines = text.data[:400_000].decode("utf-8", "replace").split("\n")
    grid = max((_grid(lines, s) for s in SEPARATORS), key=lambda g: _numbers(g)[1], default=None)
    if grid is None or not _numbers(grid)[0]:
        raise UnreadableRun(f"{name}: no column of numbers was found to draft a plan from")
    features = _long(grid) or _wide(grid)
    if not features:
        raise UnreadableRun(
            f"{name}: no column of measured sizes was found to draft a plan from; seen:"
            f" {', '.join(map(repr, grid.headers[:12]))}"
        )
    return _written(features, grid)


def _grid(lines: Sequence[str], separator: str) -> _Grid:
    """The longest run of rows of one width, and the line above it."""
    rows = [cut_line(line, separator).fields or [] for line in lines[:_SAMPLE]]
    best: tuple[int, int] = (0, 0)
    start = 0
    for at in range(1, len(rows) + 1):
        same = at < len(rows) and len(rows[at]) == len(rows[start])
        if not same:
            best = max(best, (at - start, -start)) if any(rows[start]) else best
            start = at
    first = -best[1]
    block = rows[first : first + best[0]]
    while len(block) > 1 and not any(block[0]):
        block = block[1:]
    convention = _convention([cell for row in block for cell in row])
    headed = bool(block) and not any(_number(cell, convention) is not None for cell in block[0])
    width = len(block[0]) if block else 0
    headers = block[0] if headed else [f"column {i + 1}" for i in range(width)]
    return _Grid(headers, block[1:] if headed else block, convention)


def _convention(cells: Sequence[str]) -> Convention:
    commas = sum(
        "," in cell and not may_group(cell, ",") and _number(cell, Convention(",")) is not None
        for cell in cells
    )
    points = sum("." in cell and _number(cell, Convention(".")) is not None for cell in cells)
    return Convention("," if commas > points else ".")


def _number(text: str, convention: Convention) -> float | None:
    if not any(c.isdigit() for c in text):
        return None
    try:
        return float(read_number(text, convention).value)
    except BadQuantity:
        return None


def _numbers(grid: _Grid) -> tuple[int, int]:
    """Columns of numbers, and a score for the separator."""
    columns = 0
    for index in range(len(grid.headers)):
        cells = [row[index] for row in grid.rows if row[index]]
        good = sum(_number(cell, grid.convention) is not None for cell in cells)
        columns += bool(cells) and good >= 0.5 * len(cells)
    return columns, columns * len(grid.rows)


def _role(header: str) -> str:
    base, _ = split_unit(header)
    return words.ROLES.get(words.key(base)) or words.ROLES.get(words.key(header), "")


def _wide(grid: _Grid) -> list[_Seen]:
    found: dict[str, list[int]] = {}
    for index, header in enumerate(grid.headers):
        cells = [row[index] for row in grid.rows if row[index]]
        good = sum(_number(cell, grid.convention) is not None for cell in cells)
        if _role(header) in ("", "reading", "deviation") and cells and good >= 0.5 * len(cells):
            found.setdefault(split_unit(header)[0] or header, []).append(index)
    return [
        _Seen(
            name,
            split_unit(grid.headers[columns[0]])[1],
            _values([row[i] for row in grid.rows for i in columns], grid.convention),
            len(columns),
        )
        for name, columns in _grouped(found).items()
    ]  # fmt: skip


def _values(cells: Sequence[str], convention: Convention) -> list[float]:
    """Numbers of a column; cells that name a unit of their own only when all do."""
    found = [(cell, v) for cell in cells if (v := _number(cell, convention)) is not None]
    bare = [value for cell, value in found if cell[-1:].isdigit()]
    return bare or [value for _, value in found]


def _grouped(found: dict[str, list[int]]) -> dict[str, list[int]]:
    """Put headers that differ by a last number only together, when they are readings of one."""
    stems: dict[str, list[str]] = {}
    for name in found:
        stem = name.rstrip("0123456789").rstrip(" _-#.(")
        stems.setdefault(stem if len(stem) > 1 and stem != name else name, []).append(name)
    grouped: dict[str, list[int]] = {}
    for stem, names in stems.items():
        # D1 and D2 are two diameters; "seat A 1" and "seat A 2" are two readings.
        together = len(names) > 1 and " " in stem.strip()
        for name in names:
            grouped.setdefault(stem if together else name, []).extend(found[name])
    return grouped


def _long(grid: _Grid) -> list[_Seen]:
    roles = [_role(header) for header in grid.headers]
    if "feature" not in roles or not {"reading", "deviation"} & set(roles):
        return []
    name_at = roles.index("feature")
    value_at = next(i for i, role in enumerate(roles) if role in ("reading", "deviation"))
    unit_at = roles.index("unit") if "unit" in roles else None
    values: dict[str, list[float]] = {}
    units: dict[str, str | None] = {}
    for row in grid.rows:
        value = _number(row[value_at], grid.convention)
        if row[name_at] and value is not None:
            values.setdefault(row[name_at], []).append(value)
            written = split_unit(f"x [{row[unit_at]}]")[1] if unit_at is not None else None
            units.setdefault(row[name_at], written or split_unit(grid.headers[value_at])[1])
    return [_Seen(name, units[name], found, 1) for name, found in values.items()]


def _written(features: list[_Seen], grid: _Grid) -> Draft:
    questions = ["What is the part, its drawing, the machine, the cycle time?"]
    lines = [
        "# Drafted from a measurement file: complete every line with a question mark.",
        "",
        "[job]",
        _noted('part = "?"', "name of the part"),
        _noted('# drawing = "?"', "and its revision"),
        '# machine = "?"',
        _noted("# minutes_per_part = ?", "cycle time, loading included"),
    ]
    for feature in features:
        lines += ["", "[[feature]]", *_feature(feature, questions)]
    lines += ["", *_columns(grid, questions)]
    return Draft("\n".join(lines).rstrip() + "\n", tuple(questions))


def _feature(seen: _Seen, questions: list[str]) -> list[str]:
    name = json.dumps(seen.name, ensure_ascii=False)
    low, high = min(seen.values), max(seen.values)
    median = statistics.median(seen.values)
    kind = _kind(seen.name)
    size = kind in ("diameter", "bore", "length")
    unit = seen.unit or ("mm" if size else "um")
    if seen.unit is None:
        questions.append(f"In which unit is {seen.name!r} written? Its median is {median:g}.")
    if seen.side_by_side > 1:
        questions.append(
            f"{seen.name!r} stands in {seen.side_by_side} columns: taken for readings of one part"
        )
    lines = [f"name = {name}", f'kind = "{kind}"']
    if size and median >= _SMALLEST_SIZE[unit]:
        lines.append(_noted(f"nominal = {_round_near(median)!r}", f"? seen: {low:g} to {high:g}"))
        questions.append(f"What is the nominal of {seen.name!r}? Its median is {median:g}.")
    elif size:
        lines.append(_noted("# nominal = ?", f"deviations, it seems: {low:g} to {high:g}"))
        questions.append(f"What is the nominal of {seen.name!r}? It seems to hold deviations.")
    else:
        lines.append(f"# seen: {low:g} to {high:g}")
    lines.append(_noted("# upper = ?", "deviation from nominal, from the drawing"))
    if size or kind == "taper":
        lines.append("# lower = ?")
    lines.append(f'unit = "{unit}"' if seen.unit else _noted(f'unit = "{unit}"', "? not written"))
    lines.append(_noted("# sample = ?", "at least every n-th part is measured"))
    questions.append(f"What are the limits of {seen.name!r} on the drawing?")
    return lines


def _noted(line: str, note: str) -> str:
    return f"{line:<24} # {note}"


def _kind(name: str) -> str:
    tokens = [words.key(token) for token in name.replace("_", " ").split()]
    for kind, stems in _KINDS.items():
        for token in tokens:
            if any(token == s if len(s) < 4 else token.startswith(s) for s in stems):
                return kind
    return "diameter"


def _round_near(value: float) -> float:
    """The roundest number within a thousandth of the value."""
    for figures in range(6):
        if abs(round(value, figures) - value) <= 0.001 * abs(value):
            return round(value, figures)
    return value


def _columns(grid: _Grid, questions: list[str]) -> list[str]:
    roles = [_role(header) for header in grid.headers]
    lines = []
    if "part" not in roles:
        questions.append("Which column numbers the parts? Without one, rows count 1, 2, 3 ...")
        lines += ["# [columns]", _noted('# part = "?"', "header of the part number")]
    if not {"time", "date", "clock"} & set(roles):
        questions.append("Is there a column of times? None is known by its header.")
    for role in ("machine", "job"):
        if role in roles:
            at = roles.index(role)
            values = sorted({row[at] for row in grid.rows if row[at]})
            if len(values) > 1:
                header = json.dumps(grid.headers[at], ensure_ascii=False)
                shown = ", ".join(values[:6])
                lines += ["", "[reading]", f"split_by = {header}"]
                lines.append(_noted("# split_value = ?", f"one of: {shown}"))
                questions.append(f"Which of {shown} is this plan for?")
                break
    return lines
