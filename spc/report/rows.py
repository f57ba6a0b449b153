"""The rows beside a page: everything as it was understood, as CSV that opens harmlessly."""

import csv
import io
import math
from typing import Any

import numpy as np
import pandas as pd

from spc.findings import Study
from spc.run import EVENT_COLUMNS, MEASUREMENT_COLUMNS, REJECT_COLUMNS

#: A cell that begins so is taken for a formula by table programs.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def rows_csv(study: Study) -> str:
    """Every accepted reading of the run, with the file and line it came from."""
    table = study.run.measurements
    written = zip(table["reading"].tolist(), table["decimals"].tolist(), strict=True)
    readings = [f"{value:.{decimals}f}" for value, decimals in written]
    return _csv(_columns(table, MEASUREMENT_COLUMNS, reading=readings))


def events_csv(study: Study) -> str:
    """Every event of the run."""
    return _csv(_columns(study.run.events, EVENT_COLUMNS))


def rejects_csv(study: Study) -> str:
    """Every cell or row that was not taken, with the text seen and the reason."""
    return _csv(_columns(study.run.rejects, REJECT_COLUMNS))


def harmless(text: str) -> str:
    """
    A text cell that no table program takes for a formula; numbers are left alone.

    Examples
    --------
    >>> harmless("=1+1"), harmless("-0.004"), harmless("A-17")
    ("'=1+1", '-0.004', 'A-17')
    """
    if not text.startswith(_FORMULA_STARTS):
        return text
    try:
        float(text)
    except ValueError:
        return f"'{text}"
    return text


def _columns(
    table: pd.DataFrame, wanted: dict[str, str], **told: list[str]
) -> dict[str, list[str]]:
    return {
        name: told[name] if name in told else _cells(table[name])
        for name in wanted
        if name in table
    }


def _cells(column: "pd.Series[Any]") -> list[str]:
    if isinstance(column.dtype, pd.DatetimeTZDtype) or column.dtype.kind == "M":
        stamps = column.dt.tz_localize(None).to_numpy(dtype="datetime64[s]")
        texts = np.datetime_as_string(stamps, timezone="UTC").tolist()
        return ["" if text == "NaT" else text for text in texts]
    if column.dtype.kind == "f":
        return ["" if v != v else f"{v:.6f}".rstrip("0").rstrip(".") for v in column.tolist()]
    if column.dtype.kind in "iub":
        return [str(v) for v in column.tolist()]
    if isinstance(column.dtype, pd.CategoricalDtype):
        told = [harmless(str(v)) for v in column.cat.categories]
        missing = harmless(str(math.nan))
        return [told[code] if code >= 0 else missing for code in column.cat.codes.tolist()]
    return [harmless(str(v)) for v in column.tolist()]


def _csv(columns: dict[str, list[str]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")  # RFC 4180
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))
    return out.getvalue()
