"""
The decimal mark of every column, proved by the nominals and limits of the plan.

A comma that may group thousands as well as mark decimals decides nothing by itself.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from spc.errors import BadQuantity, UnreadableRun
from spc.intake.cells import LARGEST, Convention, may_group, read_number
from spc.intake.columns import Layout, Lexicon
from spc.intake.meaning import Target, near_nominal, near_zero
from spc.units import unit_named


@dataclass(frozen=True, eq=False)
class Reader:
    """What a file is read against: its words, its nominals, and the mark if the plan says it."""

    lexicon: Lexicon
    targets: dict[str, Target]
    decimal: str | None = None


def rough_value(text: str, convention: Convention) -> float | None:
    """A number for scoring; the cells themselves are read by `cells`."""
    other = "," if convention.mark == "." else "."
    if other not in text and text[-1:].isdigit() and "_" not in text:
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            pass
        else:
            return value if abs(value) <= LARGEST else None
    try:
        return float(read_number(text, convention).value)
    except BadQuantity:
        return None


def sample_cells(
    layout: Layout, rows: Iterable[Sequence[str]], reader: Reader
) -> Iterable[tuple[int, Target, str | None, str]]:
    """Readings of some rows: column, target, unit as written, text."""
    width = len(layout.columns)
    unit_column = layout.of("unit")
    feature_column = layout.of("feature") if layout.long else None
    for fields in rows:
        if len(fields) > width:
            continue
        unit = None
        if unit_column and unit_column.index < len(fields):
            unit = unit_named(fields[unit_column.index])
        for column in layout.readings:
            if column.index >= len(fields) or not fields[column.index]:
                continue
            if feature_column is not None:
                name = fields[feature_column.index] if feature_column.index < len(fields) else ""
                target = reader.targets.get(reader.lexicon.feature_named(name) or "")
            else:
                target = reader.targets[column.feature or ""]
            if target is not None:
                yield column.index, target, unit or column.unit, fields[column.index]


#: A reading of the sample: what it should come near to, its unit as written, its text.
Cell = tuple[Target, str | None, str]


def fitting(cells: Iterable[Cell], convention: Convention) -> int:
    """How many cells, so read, are sizes or deviations that the plan asks for."""
    return _suiting(cells, convention)[0]


def proving(cells: Iterable[Cell], convention: Convention) -> int:
    """How many cells, so read, are sizes near their nominal."""
    return _suiting(cells, convention)[1]


def _suiting(cells: Iterable[Cell], convention: Convention) -> tuple[int, int]:
    """How many cells, so read, are what the plan asks for, and how many of them are sizes."""
    found = sizes = 0
    for target, units, numbers in _numbers(cells, convention):
        fits = np.any([near_zero(numbers, unit, target) for unit in units], axis=0)
        if target.sized:
            near = np.any([near_nominal(numbers, unit, target) for unit in units], axis=0)
            sizes += int(np.count_nonzero(near))
            fits |= near
        found += int(np.count_nonzero(fits))
    return found, sizes


def _numbers(
    cells: Iterable[Cell], convention: Convention
) -> Iterator[tuple[Target, list[str], NDArray[np.float64]]]:
    """The cells that read as numbers, those of one target and unit together."""
    alike: dict[tuple[int, str | None], tuple[Target, list[float]]] = {}
    for target, unit, text in cells:
        value = rough_value(text, convention)
        if value is not None:
            alike.setdefault((id(target), unit), (target, []))[1].append(value)
    for (_, unit), (target, values) in alike.items():
        yield target, [unit] if unit else [target.feature.unit, "um"], np.array(values)


def conventions_of(
    name: str, layout: Layout, rows: Sequence[Sequence[str]], reader: Reader
) -> dict[int, Convention]:
    """How numbers are written in each column of readings; others follow the majority."""
    by_column: dict[int, list[Cell]] = {}
    for index, target, unit, cell in sample_cells(layout, rows, reader):
        by_column.setdefault(index, []).append((target, unit, cell))
    decided: dict[int, Convention] = {}
    doubtful: dict[int, str] = {}
    for index, cells in by_column.items():
        convention = _one_convention(cells)
        if convention is None:
            doubtful[index] = next(cell for _, _, cell in cells if "," in cell)
        else:
            decided[index] = convention
    marked = [decided[i] for i, cells in by_column.items() if i in decided and _marked(cells)]
    common = Counter(marked).most_common(1)[0][0] if marked else _elsewhere(layout, rows)
    if common is None and reader.decimal is not None:
        common = Convention(reader.decimal)
    if common is None and doubtful:
        index, cell = next(iter(doubtful.items()))
        column = layout.columns[index].header
        raise UnreadableRun(
            f"{name}, column {column!r}: {cell!r} is ambiguous: its comma may mark decimals or"
            " group thousands, and nothing in the file or the plan decides; set decimal = ','"
            " under [reading] in the plan if it marks decimals"
        )
    common = common or Convention()
    return {
        column.index: decided.get(column.index, common)
        if column.index in decided and _marked(by_column[column.index])
        else common
        for column in layout.columns
    }


def _marked(cells: Sequence[Cell]) -> bool:
    return any("," in cell or "." in cell for _, _, cell in cells)


def _one_convention(cells: Sequence[Cell]) -> Convention | None:
    """The convention of one column; None when commas may mark or group and nothing decides."""
    texts = [text for _, _, text in cells if any(c.isdigit() for c in text)]
    commas = [text for text in texts if "," in text]
    points = [text for text in texts if "." in text]
    if not commas and not points:
        return Convention()
    candidates = [Convention("."), Convention(",")]
    if any(may_group(text, ",") for text in commas):
        candidates.append(Convention(".", group=","))
    if any(may_group(text, ".") for text in points):
        candidates.append(Convention(",", group="."))
    # What the plan asks for decides; of two ways that both fit, the one that gives sizes.
    scores = [_suiting(cells, each) for each in candidates]
    best = [each for each, score in zip(candidates, scores, strict=True) if score == max(scores)]
    if max(scores)[0] > 0:
        either = max(scores)[1] == 0 and {",", "."} == {each.mark for each in best}
        return None if either and commas else best[0]
    readable = [sum(rough_value(t, c) is not None for t in texts) for c in candidates[:2]]
    if readable[1] > readable[0]:
        sure = any("," in text and not may_group(text, ",") for text in commas)
        return Convention(",") if sure else None
    return Convention(".")


def _elsewhere(layout: Layout, rows: Sequence[Sequence[str]]) -> Convention | None:
    """The mark that other columns of numbers prove, such as a temperature of 20,5."""
    for fields in rows:
        for column, cell in zip(layout.columns, fields, strict=False):
            if column.role in ("temperature", "amount_um", "typed", ""):
                number = rough_value(cell, Convention(","))
                if number is not None and "," in cell and not may_group(cell, ","):
                    return Convention(",")
    return None
