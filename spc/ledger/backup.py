"""Copies of a ledger: taken whole while others write, and put back where there is none."""

import os
from datetime import UTC, datetime
from pathlib import Path

from spc.errors import SpcError
from spc.ledger.chain import BATCH
from spc.ledger.opening import clear_words, copy_sqlite, url_of
from spc.ledger.store import Ledger
from spc.ledger.tables import entries, head, metadata, states
from spc.ledger.verify import Verdict, verify

_SIDE_FILES = ("", "-wal", "-shm")


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
    with Ledger(place, create=False) as ledger:
        if ledger.engine.dialect.name == "sqlite":
            with clear_words(str(target)):
                copy_sqlite(str(ledger.engine.url.database), str(target))
        else:
            _copy_rows(ledger, str(target))
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
        Move a ledger that is there to a name beside it first; it is kept.

    Returns
    -------
    Verdict, str
        On the restored ledger, and where the old one is now; empty when there was none.
    """
    with Ledger(source, create=False) as kept:
        found = verify(kept)
        if found.faults:
            raise SpcError(f"{source}: this backup does not verify: {found.faults[0]}")
        moved = _make_room(place, aside=aside)
        if url_of(place).get_backend_name() == "sqlite":
            with clear_words(place):
                copy_sqlite(str(kept.engine.url.database), str(url_of(place).database))
        else:
            _copy_rows(kept, place)
    with Ledger(place, create=False) as restored:
        return verify(restored), moved


def _make_room(place: str, *, aside: bool) -> str:
    url = url_of(place)
    if url.get_backend_name() != "sqlite":
        with Ledger(place) as there, there.reading() as reader:
            if reader.head().line:
                raise SpcError(f"{place}: there is a ledger already; name an empty database")
        return ""
    database = str(url.database)
    if not Path(database).exists():
        return ""
    if not aside:
        raise SpcError(
            f"{place}: there is a ledger already; --aside moves it to a name beside it first"
        )
    moved = f"{database}.aside-{datetime.now(UTC):%Y%m%dT%H%M%S%f}"
    for tail in _SIDE_FILES:
        if Path(database + tail).exists():
            os.rename(database + tail, moved + tail)
    return moved


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
