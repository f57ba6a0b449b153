"""Opening a ledger: where it is, whose version it has, and what goes wrong in plain words."""

import contextlib
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, exc, inspect, make_url, select

from spc.errors import SpcError, StoreBusy
from spc.ledger import tables

#: Seconds to wait for another writer before giving up.
PATIENCE = 30
#: Name of the ledger in the folder of the plan, and the variable that names another one.
FILE_NAME, VARIABLE = "spc.db", "SPC_LEDGER"
#: Key of the lock that lets one PostgreSQL writer at a time extend the chain.
LOCK_KEY = tables.APPLICATION_ID
#: Steps from one version of the tables to the next, by the version they lead to.
MIGRATIONS: dict[int, Callable[[Connection], None]] = {}


class DamagedLedger(SpcError):
    """A ledger whose file or chain is broken."""

    exit_status = 4


def place_of(plan: str | Path, named: str | None = None) -> str:
    """
    Where the ledger of a plan is: as named, else by ``SPC_LEDGER``, else beside the plan.

    Examples
    --------
    >>> place_of("jobs/pin.toml", "other.db")
    'other.db'
    """
    return named or os.environ.get(VARIABLE) or str(Path(plan).parent / FILE_NAME)


def url_of(place: str) -> URL:
    """The database behind a file name or a URL."""
    if "://" not in place:
        return URL.create("sqlite", database=place)
    url = make_url(place)
    if url.get_backend_name() == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if url.get_backend_name() != "sqlite":
        raise SpcError(f"{place}: a ledger is an SQLite file or a postgresql:// URL")
    return url


def engine_for(place: str, *, create: bool = True) -> Engine:
    """
    The database, of this version: made when missing, migrated when older.

    Raises
    ------
    SpcError
        When it is missing and `create` is off, is no ledger, or is newer than this program.
    StoreBusy
        When it cannot be opened or written.
    """
    url = url_of(place)
    sqlite = url.get_backend_name() == "sqlite"
    if sqlite and url.database and not Path(url.database).exists():
        if not create:
            raise SpcError(f"{place}: there is no ledger; `spc log` or `spc import` begins one")
        if not Path(url.database).parent.is_dir():
            raise SpcError(f"{place}: there is no such folder; make it, or name another ledger")
    with clear_words(place):
        engine = _sqlite(url) if sqlite else _postgres(place, url)
        _bring_up(engine, place)
    return engine


def _sqlite(url: URL) -> Engine:
    engine = create_engine(url, connect_args={"timeout": PATIENCE, "check_same_thread": False})

    @event.listens_for(engine, "connect")
    def _prepare(connection: sqlite3.Connection, _record: Any) -> None:
        # The driver would begin transactions late and as readers; both are ours to say.
        connection.isolation_level = None
        (kind,) = connection.execute("PRAGMA application_id").fetchone()
        (objects,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if kind != tables.APPLICATION_ID and objects:
            raise SpcError(f"{url.database}: this is a database, but no ledger of this program")
        with contextlib.suppress(sqlite3.OperationalError):
            # Refused on read-only media, where reading still works.
            connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        reads = connection.get_execution_options().get("spc_reads")
        connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")

    return engine


def _postgres(place: str, url: URL) -> Engine:
    try:
        engine = create_engine(url, pool_pre_ping=True)
    except ModuleNotFoundError:
        raise SpcError(
            f"{place}: PostgreSQL needs its driver; install spc with the extra [postgres]"
        ) from None

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        if not connection.get_execution_options().get("spc_reads"):
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({LOCK_KEY})")

    return engine


def _bring_up(engine: Engine, place: str) -> None:
    with engine.connect().execution_options(spc_reads=True) as connection:
        found = _version(connection)
    if found is None:
        with engine.begin() as connection:
            # Another program may have made them meanwhile.
            if _version(connection) is None:
                tables.create(connection)
        return
    if found > tables.VERSION:
        raise SpcError(
            f"{place}: the ledger has version {found}, this program knows up to "
            f"{tables.VERSION}; use the newer program"
        )
    if found < tables.VERSION:
        _migrate(engine, place, found)


def _version(connection: Connection) -> int | None:
    if not inspect(connection).has_table("head"):
        return None
    return connection.execute(select(tables.head.c.version)).scalar_one()


def _migrate(engine: Engine, place: str, found: int) -> None:
    if engine.dialect.name == "sqlite":
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        copy_sqlite(str(engine.url.database), f"{engine.url.database}.v{found}.{stamp}.backup")
    with engine.begin() as connection:
        for version in range(found + 1, tables.VERSION + 1):
            MIGRATIONS[version](connection)
            connection.execute(tables.head.update().values(version=version))
            if engine.dialect.name == "sqlite":
                connection.exec_driver_sql(f"PRAGMA user_version = {version}")


def copy_sqlite(source: str, target: str) -> None:
    """A whole, consistent copy by the database's own backup call; `target` must be new."""
    if Path(target).exists():
        raise SpcError(f"{target}: this file exists; a backup never overwrites one")
    beside = f"{target}.part"
    Path(beside).unlink(missing_ok=True)
    with contextlib.closing(sqlite3.connect(source)) as old:
        with contextlib.closing(sqlite3.connect(beside)) as new:
            old.backup(new)
        with open(beside, "rb+") as file:
            os.fsync(file.fileno())
    Path(beside).rename(target)


@contextlib.contextmanager
def clear_words(place: str) -> Iterator[None]:
    """Turn what the database says into one line: what happened, where, and what to do."""
    try:
        yield
    except exc.IntegrityError:
        raise
    except (exc.DBAPIError, sqlite3.DatabaseError) as error:
        raise _clear(place, str(getattr(error, "orig", None) or error)) from error


_CAUSES = (
    ("locked", "another program has kept it busy for {patience} s; try again"),
    ("readonly", "it cannot be written: the file or its folder is read-only"),
    ("read-only", "it cannot be written: the file or its folder is read-only"),
    ("full", "the disk is full ({free} MB free); nothing of this entry was stored"),
    ("disk i/o", "the disk refused to write ({free} MB free); nothing of this entry was stored"),
    ("unable to open", "it cannot be opened or made: look at the folder and its permissions"),
    ("connection", "the database server does not answer: {says}"),
)
_DAMAGE = ("malformed", "not a database", "corrupt")


def _clear(place: str, says: str) -> SpcError:
    low = says.lower()
    if any(word in low for word in _DAMAGE):
        return DamagedLedger(
            f"{place}: the file is damaged ({says}); keep it, run `spc ledger verify`, and go on "
            "from the last backup with `spc ledger restore`"
        )
    for word, cure in _CAUSES:
        if word in low:
            words = cure.format(patience=PATIENCE, free=_free(place), says=says.splitlines()[0])
            return StoreBusy(f"{place}: {words}")
    return StoreBusy(f"{place}: the database refused: {says.splitlines()[0]}")


def _free(place: str) -> str:
    try:
        return f"{shutil.disk_usage(Path(place).parent).free / 1e6:.0f}"
    except OSError:
        return "?"
