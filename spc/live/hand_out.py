"""A ledger for other programs: its tables as CSV with a sidecar, or as Parquet."""

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from spc.errors import SpcError
from spc.intake.csvw import write_table
from spc.ledger.store import Ledger, Reader
from spc.ledger.tables import COLUMNS

_TEXT, _WHOLE, _REAL, _TIME = "string", "integer", "double", "dateTime"
_SHARED = {
    "line": (_WHOLE, "line of the ledger"),
    "run": (_TEXT, "name of the run"),
}
_FROM = {
    "source": (_TEXT, "file it came from; empty: typed at the machine"),
    "row": (_WHOLE, "line of that file"),
    "who": (_TEXT, "role of whoever typed or imported it"),
}
#: Tables handed out: what holds now, and every entry ever made with its place in the chain.
TABLES: dict[str, dict[str, tuple[str, str]]] = {
    "readings": {
        **_SHARED,
        "part": (_WHOLE, "part in grinding order, from 1"),
        "serial": (_TEXT, "part number as written"),
        "time": (_TIME, "UTC"),
        "feature": (_TEXT, "name in the plan"),
        "deviation_um": (_REAL, "size minus nominal on diameter, or the value itself, in µm"),
        "size": (_REAL, "absolute size in the plan's unit of the feature"),
        "decimals": (_WHOLE, "digits after the mark, as written"),
        "repeat": (_WHOLE, "0 for the first reading of the part, then 1, 2 ..."),
        **_FROM,
    },
    "events": {
        **_SHARED,
        "after_part": (_WHOLE, "the event stands after this part"),
        "time": (_TIME, "UTC"),
        "event": (_TEXT, "dress, offset, wheel, swivel, pause, master, batch ..."),
        "amount_um": (_REAL, "on diameter, plus makes parts bigger, in µm"),
        "minutes": (_REAL, "length of a pause"),
        "note": (_TEXT, "free text"),
        **_FROM,
    },
    "answers": {
        **_SHARED,
        "after_part": (_WHOLE, "the advice stood after this part"),
        "time": (_TIME, "UTC"),
        "advised": (_TEXT, "the action that was advised"),
        "amount_um": (_REAL, "the move that was advised, on diameter, in µm"),
        "answer": (_TEXT, "done, other amount, other act, not done, unanswered"),
        "note": (_TEXT, "why, or the other act"),
        "who": (_TEXT, "role of whoever answered"),
    },
    "entries": {
        name: (kind, "column of the ledger")
        for name, kind in zip(
            COLUMNS,
            (_WHOLE, _WHOLE, _TIME, _TEXT, _WHOLE, _TEXT, _TIME, _TEXT, _REAL, _REAL, _WHOLE,
             _WHOLE, _REAL, _TEXT, _TEXT, _WHOLE, _WHOLE, _WHOLE, _TEXT, _TEXT, _REAL, _TEXT),
            strict=True,
        )
    },
}  # fmt: skip


def hand_out(
    ledger: Ledger, folder: str | Path, *, run: str | None = None, parquet: bool = False
) -> list[Path]:
    """
    Write the tables of a ledger, of one run or all, into a folder.

    Existing files of these names are written over; the folder is made when missing.

    Raises
    ------
    SpcError
        When there is no such run, the folder cannot be written, or Parquet's library is missing.
    """
    out = Path(folder)
    written = []
    with ledger.reading() as reader:
        number = _run_number(reader, run)
        try:
            out.mkdir(parents=True, exist_ok=True)
            for name, columns in TABLES.items():
                rows = _rows(reader, name, columns, run, number)
                if parquet:
                    written.append(_parquet(out / f"{name}.parquet", columns, rows))
                else:
                    sidecar = write_table(out / f"{name}.csv", columns, rows, title=name)
                    written += [out / f"{name}.csv", sidecar]
        except OSError as error:
            raise SpcError(f"{out}: cannot be written ({error.strerror})") from None
    return written


def _run_number(reader: Reader, run: str | None) -> int | None:
    if run is None:
        return None
    found = reader.run_named(run)
    if found is None:
        known = ", ".join(r.name for r in reader.runs()) or "none"
        raise SpcError(f"{run}: there is no such run; there are: {known}")
    return found.id


def _rows(
    reader: Reader,
    name: str,
    columns: Mapping[str, tuple[str, str]],
    run: str | None,
    number: int | None,
) -> Iterator[list[Any]]:
    mark = "?" if reader.connection.dialect.name == "sqlite" else "%s"
    wanted = number if name == "entries" else run
    only = f" WHERE run = {mark}" if run is not None else ""
    query = f"SELECT {', '.join(columns)} FROM {name}{only} ORDER BY line"
    times = {i for i, (kind, _) in enumerate(columns.values()) if kind == _TIME}
    found = reader.connection.exec_driver_sql(query, (wanted,) if run is not None else None)
    for row in found:
        yield [_plain(value, timed=i in times) for i, value in enumerate(row)]


def _plain(value: Any, *, timed: bool) -> Any:
    if timed and value is not None:
        return datetime.fromtimestamp(value / 1e6, UTC).isoformat()
    return value.hex() if isinstance(value, bytes) else value


def _parquet(path: Path, columns: Mapping[str, tuple[str, str]], rows: Iterator[list[Any]]) -> Path:
    try:
        import pyarrow
        from pyarrow import parquet
    except ModuleNotFoundError:
        raise SpcError("Parquet needs its library; install spc with the extra [parquet]") from None
    types = {_TEXT: pyarrow.string(), _WHOLE: pyarrow.int64(), _REAL: pyarrow.float64(),
             _TIME: pyarrow.string()}  # fmt: skip
    table = list(zip(*rows, strict=True)) or [()] * len(columns)
    arrays = [
        pyarrow.array(values, types[kind])
        for values, (kind, _) in zip(table, columns.values(), strict=True)
    ]
    parquet.write_table(pyarrow.table(arrays, list(columns)), path)
    return path
