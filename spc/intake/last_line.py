"""A last line without its end: complete like the lines above it, or cut off while written."""

import re
from collections import Counter

import numpy as np

from spc.intake import words
from spc.intake.columns import Column, Layout
from spc.intake.decoding import CUT_OFF
from spc.intake.quarantine import shortened
from spc.intake.table import PLAIN, UNFINISHED, Table
from spc.intake.tokens import cut_line

# How many lines above tell what a complete one looks like. Own choice.
_LINES_ABOVE = 200
_NUMBER = re.compile(r"^[+-]?(\d*)(?:[.,](\d*))?$")
# A cell cut short in one of these changes no reading, no part and no act.
_WITHOUT_WEIGHT = frozenset(("", "note", "operator", "gauge", "machine", "job"))


def settle_last_line(
    table: Table, layout: Layout, separator: str, name: str
) -> tuple[list[str], list[str]]:
    """
    Take a last line without its end when it is complete; return remarks, and doubts if it is not.

    Parameters
    ----------
    table : Table
        The state of that line becomes PLAIN when it is taken.
    layout : Layout
        What the columns mean.
    separator : str
        Between fields.
    name : str
        Of the file, for the doubt.
    """
    found = np.flatnonzero(table.state == UNFINISHED)
    if not len(found):
        return [], []
    row = int(found[0])
    seen = f"{shortened(table.record(row), 60)!r}"
    why = why_cut(table, layout, separator, row)
    if not why:
        table.state[row] = PLAIN
        line = table.line[row]
        return [f"the last line, row {line}, has no line end; it is complete and taken: {seen}"], []
    return [], [
        f"{name}, row {table.line[row]}: the last line {seen} has no line end and {why}, so it is"
        " left out; was the file still being written?"
    ]


def why_cut(table: Table, layout: Layout, separator: str, row: int) -> str:
    """
    What speaks for a last line cut off in writing; empty when it is complete like the others.

    Many gauges end the last line with its last figure. Only the last cell can be cut, since a
    separator follows every other one: a number must have as many decimals as the lines above
    mostly have, or as many figures where they have none; anything else must look like theirs.
    """
    record = table.record(row)
    if record.endswith(CUT_OFF):
        return "ends in half a sign"
    above = [r for r in range(max(0, row - _LINES_ABOVE), row) if table.state[r] == PLAIN]
    fields = cut_line(record, separator).fields
    width = len(layout.columns)
    usual = Counter(len(cut_line(table.record(r), separator).fields or ()) for r in above)
    count = usual.most_common(1)[0][0] if usual else width
    if fields is None:
        return "has a quote that is not closed"
    if len(fields) != count:
        return f"has {len(fields)} of {count} fields"
    if count > width:
        return ""  # a separator stands behind the last cell, too
    return _why_last_cell(table, layout, row, above)


def _why_last_cell(table: Table, layout: Layout, row: int, above: list[int]) -> str:
    column = layout.columns[-1]
    named = layout.of("feature")
    if layout.long and named is not None:
        own = table.text(row, named.index)
        above = [r for r in above if table.text(r, named.index) == own]
    if _is_whole(
        column, table.text(row, column.index), [table.text(r, column.index) for r in above]
    ):
        return ""
    return "is not complete like the lines above"


def _is_whole(column: Column, text: str, others: list[str]) -> bool:
    if column.role in _WITHOUT_WEIGHT:
        return True
    if not text:
        return 2 * sum(not other for other in others) > len(others)
    if column.role == "event":
        return words.event_kind(text) is not None
    number = _NUMBER.match(text)
    numbers = [m for m in map(_NUMBER.match, filter(None, others)) if m]
    if number is None or not numbers:
        return text in others or _shape(text) in {_shape(other) for other in others}
    decimals = Counter(len(m[2] or "") for m in numbers)
    most = max(decimals, key=lambda places: (decimals[places], places))
    if most:
        return len(number[2] or "") >= most
    return number[2] is None and len(number[1]) >= max(len(m[1]) for m in numbers)


def _shape(text: str) -> str:
    return re.sub(r"\d", "0", text)
