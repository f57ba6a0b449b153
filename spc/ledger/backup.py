"""Copies of a ledger: taken whole while others write, and put back where there is none."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

from spc.errors import SpcError
from spc.ledger import sqlite_file
from spc.ledger.chain import BATCH
from spc.ledger.place import url_of
from spc.ledger.refusal import clear, clear_words
from spc.ledger.store import Ledger, Reader
from spc.ledger.tables import entries, head, metadata, states
from spc.ledger.verify import Verdict, verify


def backup(place: str, target: str | Path) -> Verdict:
    """
    Write a whole copy of a ledger to a new file, and verify the copy.

    An SQLite ledger is copied by the database's own backup call; one on a server is read in one
    transaction and becomes an SQLite file, too.

    Raises
    ------
    SpcError
        When `target` exists, or the ledger does not.
    """
    target = Path(target)
    if target.exists():
        raise SpcError(f"{target}: this file exists; a backup never overwrites one")
    if not target.absolute().parent.is_dir():
        raise SpcError(f"{target}: there is no such folder; make it first")
    with Ledger(place, create=False) as ledger, _clear_files(str(target)):
        if ledger.engine.dialect.name == "sqlite":
            with ledger.reading() as reader:
                sqlite_file.copy(_file_of(reader), str(target))
        else:
            with sqlite_file.made_beside(str(target)) as made:
                _copy_rows(ledger, made)
    with Ledger(target, create=False) as copy:
        return verify(copy)


def restore(source: str | Path, place: str, *, aside: bool = False) -> tuple[Verdict, str]:
    """
    Put a backup where the ledger was.

    Parameters
    ----------
    source : path
        A backup; it must verify.
    place : str
        A file or URL that holds no ledger.
    aside : bool
        Keep a ledger that is there under a name beside it. Whoever has it open goes on in the
        backup, and nothing is added to the old one any more.

    Returns
    -------
    Verdict, str
        On the restored ledger, and where the old one is now; empty when there was none.

    Raises
    ------
    SpcError
        When it cannot be done; everything stands as it was then.
    """
    url = url_of(place)
    with Ledger(source, create=False) as kept:
        found = verify(kept)
        if found.faults:
            raise SpcError(f"{source}: this backup does not verify: {found.faults[0]}")
        if url.get_backend_name() == "sqlite":
            with kept.reading() as reader, _clear_files(place, "everything stands as it was"):
                moved = _restore_file(_file_of(reader), str(source), str(url.database), aside)
        else:
            moved = ""
            _require_empty(place)
            _copy_rows(kept, place)
    with Ledger(place, create=False) as restored:
        return verify(restored), moved


@contextmanager
def _clear_files(place: str, outcome: str = "") -> Iterator[None]:
    try:
        with clear_words(place, outcome):
            yield
    except OSError as error:
        raise clear(place, error, outcome) from error


def _file_of(reader: Reader) -> sqlite3.Connection:
    opened: Any = reader.connection.connection.dbapi_connection
    return cast(sqlite3.Connection, opened)


def _restore_file(backup: sqlite3.Connection, source: str, database: str, aside: bool) -> str:
    there = Path(database).exists()
    if there and Path(source).samefile(database):
        raise SpcError(f"{database}: this is the backup itself; nothing is to be restored")
    if there and not aside:
        raise SpcError(
            f"{database}: there is a ledger already; --aside keeps it under a name beside it"
        )
    moved = f"{database}.aside-{datetime.now(UTC):%Y%m%dT%H%M%S%f}"
    if there:
        try:
            sqlite_file.replace(backup, database, moved)
            return moved
        except sqlite3.DatabaseError as error:
            # What is no database cannot be open anywhere: it is put away as it is.
            if error.sqlite_errorcode not in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
                raise
    return moved if sqlite_file.place_new(backup, database, moved) else ""


def _require_empty(place: str) -> None:
    with Ledger(place) as there, there.reading() as reader:
        if reader.head().line:
            raise SpcError(f"{there.shown}: there is a ledger already; name an empty database")


def _copy_rows(source: Ledger, place: str) -> None:
    """Every row of every table, as it stands, chain and all, into an empty ledger."""
    with Ledger(place) as target, source.reading() as reader, target.writing() as writer:
        for table in metadata.sorted_tables:
            if table is states:
                # A memory of the adviser: made anew when it is needed.
                continue
            if table is head:
                writer.connection.execute(head.delete())
            key = entries.c.line if table is entries else table.c.id
            rows = reader.connection.execution_options(yield_per=BATCH).execute(
                table.select().order_by(key)
            )
            for batch in rows.partitions(BATCH):
                writer.connection.execute(table.insert(), [row._asdict() for row in batch])
