"""Several jobs or machines in one file, told apart by a column that the plan names."""

import numpy as np
from numpy.typing import NDArray

from spc.errors import UnreadableRun
from spc.intake import words
from spc.intake.columns import Column, Layout
from spc.intake.quarantine import shortened
from spc.intake.readings import column_texts
from spc.intake.table import Table
from spc.plan import Plan


def other_jobs(
    table: Table, layout: Layout, plan: Plan, *, name: str
) -> tuple[NDArray[np.bool_], list[str]]:
    """
    Which lines belong to another job or machine, and what the page must say of it.

    Parameters
    ----------
    table : Table
        The records.
    layout : Layout
        What the columns mean.
    plan : Plan
        Names the column and the value of this job.
    name : str
        The file, for errors.

    Raises
    ------
    UnreadableRun
        When no line is of this job, or nothing says which lines are.
    """
    none = np.zeros(len(table), dtype=bool)
    column = _split_column(layout, plan)
    if column is None:
        return none, _unsplit(table, layout, plan)
    texts = column_texts(table, column.index)
    values = list(dict.fromkeys(text for text in texts if text))
    wanted = _wanted(values, plan)
    shown = ", ".join(repr(shortened(value, 30)) for value in values[:8])
    if wanted is None:
        raise UnreadableRun(
            f"{name}: column {column.header!r} is ambiguous: it holds {shown or 'nothing'}, and"
            " none of it names this job; set split_value under [reading] in the plan"
        )
    theirs = {text for text in values if words.key(text) != words.key(wanted)}
    other = np.array([text in theirs for text in texts], dtype=bool)
    if not other.any():
        return other, []
    return other, [
        f"{int(other.sum())} rows whose {column.header!r} is not {wanted!r} are of other jobs"
        " and left out"
    ]


def _split_column(layout: Layout, plan: Plan) -> Column | None:
    wanted = plan.reading.split_by
    if wanted is None:
        return None
    for same in (lambda header: header.strip() == wanted.strip(),
                 lambda header: words.key(header) == words.key(wanted)):  # fmt: skip
        for column in layout.columns:
            if same(column.header):
                return column
    return None


def _wanted(values: list[str], plan: Plan) -> str | None:
    job = plan.job
    said = plan.reading.split_value
    names = [said] if said is not None else [job.machine, job.part, job.drawing, job.operation]
    for name in names:
        hits = [value for value in values if name and words.key(value) == words.key(name)]
        if hits:
            return hits[0]
    return None


def _unsplit(table: Table, layout: Layout, plan: Plan) -> list[str]:
    """A column of machines or jobs that differ, which nothing splits."""
    if plan.reading.split_by is not None:
        return [f"there is no column {plan.reading.split_by!r}, so the file is not split"]
    for role in ("machine", "job"):
        column = layout.of(role)
        if column is None:
            continue
        values = list(dict.fromkeys(t for t in column_texts(table, column.index) if t))
        if len(values) > 1:
            return [
                f"column {column.header!r} holds several values ({shortened(', '.join(values))});"
                " all rows are taken; set split_by under [reading] in the plan to tell them apart"
            ]
    return []
