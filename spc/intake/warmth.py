"""Sizes measured on warm parts, brought to 20 °C."""

import re

import numpy as np
from numpy.typing import NDArray

from spc.errors import BadQuantity
from spc.intake.cells import Convention, read_number
from spc.intake.columns import Layout
from spc.intake.readings import TAKEN, Stream, text_column
from spc.intake.table import Table
from spc.intake.whole_column import digits

#: Sizes of workpieces hold at this temperature (ISO 1). [°C]
REFERENCE_C = 20.0
# Parts outside this span are not measured by hand; such a number is no temperature. Own choice.
_BELIEVED_C = (-20.0, 120.0)
_FAHRENHEIT = re.compile(r"(°|deg|\b)\s*f(ahrenheit)?\b", re.IGNORECASE)


def temperatures(
    table: Table, layout: Layout, convention: Convention
) -> NDArray[np.float64] | None:
    """
    The part's temperature in every row, NaN where none can be read; None without a column. [°C]

    Parameters
    ----------
    table : Table
        The records.
    layout : Layout
        What the columns mean.
    convention : Convention
        How numbers are written.
    """
    column = layout.of("temperature")
    if column is None:
        return None
    cells = text_column(table, column.index)
    found = digits(cells.buffer, cells.starts, cells.lengths, convention.mark)
    celsius = np.where(found.plain, found.value, np.nan)
    for row in np.flatnonzero(~found.plain & (cells.lengths > 0)).tolist():
        celsius[row] = _one(cells.text(row), convention)
    if _FAHRENHEIT.search(column.header) or column.header.casefold().endswith("_f"):
        celsius = (celsius - 32) / 1.8
    low, high = _BELIEVED_C
    return np.where((celsius >= low) & (celsius <= high), celsius, np.nan)


def _one(text: str, convention: Convention) -> float:
    plain = re.sub(r"\s*(°\s*c?|c)$", "", text, flags=re.IGNORECASE)
    try:
        return float(read_number(plain, convention).value)
    except BadQuantity:
        return float("nan")


def bring_to_20(stream: Stream, celsius: NDArray[np.float64]) -> tuple[int, int]:
    """
    Correct the deviations of one stream; return how many were corrected and how many could not be.

    A part of nominal size N at temperature T is larger by N a (T - 20) than at 20 °C, a being its
    coefficient of expansion.
    """
    expansion = stream.target.feature.expansion_per_kelvin
    if not expansion or not stream.target.sized:
        return 0, 0
    warm = celsius[stream.rows] - REFERENCE_C
    taken = stream.state == TAKEN
    known = taken & ~np.isnan(warm)
    stream.deviation_um[known] -= float(stream.target.nominal_um) * expansion * warm[known]
    return int(known.sum()), int((taken & ~known).sum())
