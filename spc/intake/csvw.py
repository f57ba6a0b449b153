"""
Tables written for others: CSV with a sidecar that says what its columns are.

The sidecar follows "Metadata Vocabulary for Tabular Data" (W3C Recommendation, 17 December 2015):
it stands beside ``run.csv`` as ``run.csv-metadata.json``, where readers look for it.
"""

import csv
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from spc.run import REJECT_COLUMNS, Run

#: First signs that make a spreadsheet compute a cell instead of showing it.
_COMPUTED = ("=", "+", "-", "@", "\t", "\r")
_DATATYPES = ("string", "integer", "number", "double", "boolean", "date", "dateTime")


def write_table(
    path: str | os.PathLike[str],
    columns: Mapping[str, tuple[str, str]],
    rows: Iterable[Sequence[Any]],
    *,
    title: str = "",
) -> Path:
    """
    Write rows as CSV in UTF-8, and the sidecar beside it.

    Text that a spreadsheet would compute gets an apostrophe in front; numbers never.

    Parameters
    ----------
    path : str or path
        Of the CSV file.
    columns : mapping
        Name to (datatype, description); the datatype is one of string, integer, number, double,
        boolean, date, dateTime.
    rows : iterable of sequences
        In the order of `columns`; None is written as nothing.
    title : str
        Of the table.

    Returns
    -------
    Path
        Of the sidecar.

    Raises
    ------
    ValueError
        For another datatype.
    """
    target = Path(path)
    with target.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\r\n")
        writer.writerow(columns)
        for row in rows:
            writer.writerow([_shown(value) for value in row])
    return write_sidecar(target, columns, title=title)


def _shown(value: Any) -> Any:
    if value is None:
        return ""
    return f"'{value}" if isinstance(value, str) and value.startswith(_COMPUTED) else value


def write_sidecar(
    path: str | os.PathLike[str], columns: Mapping[str, tuple[str, str]], *, title: str = ""
) -> Path:
    """
    Write the sidecar of a CSV file that is already there.

    Parameters are those of `write_table`.
    """
    target = Path(path)
    for name, (datatype, _) in columns.items():
        if datatype not in _DATATYPES:
            raise ValueError(f"datatype of {name!r} is {datatype!r}; use {', '.join(_DATATYPES)}")
    document: dict[str, Any] = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": target.name,
        "dialect": {"encoding": "utf-8", "delimiter": ",", "header": True, "quoteChar": '"'},
        "tableSchema": {
            "columns": [
                {
                    "name": name.replace(" ", "_"),
                    "titles": name,
                    "datatype": datatype,
                    "dc:description": description,
                }
                for name, (datatype, description) in columns.items()
            ]
        },
    }
    if title:
        document["dc:title"] = title
    sidecar = target.with_name(target.name + "-metadata.json")
    text = json.dumps(document, indent=2, ensure_ascii=False)
    sidecar.write_text(text + "\n", encoding="utf-8")
    return sidecar


def write_rejects(run: Run, path: str | os.PathLike[str]) -> Path:
    """
    Write what was not taken: file, row, column, text, reason; with the sidecar.

    Returns
    -------
    Path
        Of the sidecar.
    """
    columns = {
        "file" if name == "source" else name: ("integer" if name == "row" else "string", said)
        for name, said in REJECT_COLUMNS.items()
    }
    rows = run.rejects[list(REJECT_COLUMNS)].itertuples(index=False)
    return write_table(path, columns, rows, title="Cells and rows that were not taken")
