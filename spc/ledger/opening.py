"""Opening a ledger, to add to it or only to read: its version, and what it is not."""

import contextlib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, select

from spc.errors import SpcError
from spc.ledger import refusal, sqlite_file, tables
from spc.ledger.place import shown, url_of
from spc.ledger.refusal import NOTHING_STORED, DamagedLedger, LedgerReplaced, clear, clear_words

#: Key of the lock that lets one PostgreSQL writer at a time extend the chain.
LOCK_KEY = tables.APPLICATION_ID
#: Steps from one version of the tables to the next, by the version they lead to.
MIGRATIONS: dict[int, Callable[[Connection], None]] = {}
_MOVED = "the ledger was moved from its place while it was open"
_NONE_YET = "there is no ledger; `spc log` or `spc import` begins one"


class FileMoved(Exception):
    """Another file stands under the name of a ledger than the one that is open."""


class Database:
    """
    The database behind a place, opened anew when another file stands under its name.

    Attributes
    ----------
    engine : Engine
        As it is open now.
    """

    def __init__(self, place: str, *, create: bool) -> None:
        self.place, self.create = place, create
        self.engine = engine_for(place, create=create)

    @contextlib.contextmanager
    def transaction(self, *, reads: bool) -> Iterator[Connection]:
        """A connection in a transaction, to what stands under the name now."""
        while True:
            moved = False
            path = str(self.engine.url.database)
            if self.engine.dialect.name == "sqlite" and sqlite_file.identity(path) is None:
                raise LedgerReplaced(f"{shown(self.place)}: {_MOVED}")
            with self.engine.connect() as plain:
                options: dict[str, Any] = {"spc_reads": reads}
                if reads and self.engine.dialect.name == "postgresql":
                    # Its default shows each statement another moment.
                    options |= {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
                connection = plain.execution_options(**options)
                try:
                    connection.begin()
                except FileMoved:
                    moved = True
                else:
                    yield connection
                    return
            if moved:
                self.engine.dispose()
                self._open_again()

    def _open_again(self) -> None:
        try:
            # None is begun in the place of one that was moved away.
            engine_for(self.place, create=False).dispose()
            self.engine = engine_for(self.place, create=self.create)
        except SpcError as error:
            raise LedgerReplaced(f"{error}; {_MOVED}") from None


def engine_for(place: str, *, create: bool = True) -> Engine:
    """
    The database, of this version.

    Parameters
    ----------
    place : str
        File name or ``postgresql://`` URL.
    create : bool
        To add to it: made when missing, migrated when older. Off: to read it; nothing is made.

    Raises
    ------
    SpcError
        When it is missing or older and `create` is off, is no ledger, or is newer than this
        program.
    StoreBusy
        When it cannot be opened or written.
    """
    url = url_of(place)
    sqlite = url.get_backend_name() == "sqlite"
    if sqlite and not Path(str(url.database)).exists():
        if not create:
            raise SpcError(f"{shown(place)}: {_NONE_YET}")
        if not Path(str(url.database)).parent.is_dir():
            raise SpcError(
                f"{shown(place)}: there is no such folder; make it, or name another ledger"
            )
        _begin_file(Path(str(url.database)), place)
    with clear_words(place, NOTHING_STORED if create else ""):
        engine = _sqlite(url, create) if sqlite else _postgres(place, url, create)
        try:
            _bring_up(engine, place, create)
        except BaseException:
            engine.dispose()
            raise
    return engine


def _begin_file(path: Path, place: str) -> None:
    try:
        path.touch()
    except OSError as error:
        raise clear(place, error, NOTHING_STORED) from error


def _sqlite(url: URL, create: bool) -> Engine:
    # Kept whole: the program may go to another folder.
    path = str(Path(str(url.database)).absolute())

    opens = sqlite_file.to_write if create else sqlite_file.to_read
    engine = create_engine(url.set(database=path), creator=lambda: opens(path))

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        reads = connection.get_execution_options().get("spc_reads")
        connection.exec_driver_sql("BEGIN" if reads else "BEGIN IMMEDIATE")
        # Now nobody else adds to the file that is open; but is it the ledger still?
        opened: Any = connection.connection.dbapi_connection
        if opened.file != sqlite_file.identity(path):
            raise FileMoved

    return engine


def _postgres(place: str, url: URL, create: bool) -> Engine:
    # A server that is cut off is given up after the same time as a busy one.
    waits = {"connect_timeout": refusal.PATIENCE, "tcp_user_timeout": 1000 * refusal.PATIENCE}
    waits = {name: value for name, value in waits.items() if name not in url.query}
    try:
        engine = create_engine(url, pool_pre_ping=True, connect_args=waits)
    except ModuleNotFoundError:
        raise SpcError(
            f"{shown(place)}: PostgreSQL needs its driver; install spc with the extra [postgres]"
        ) from None

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        if not connection.get_execution_options().get("spc_reads"):
            connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{refusal.PATIENCE}s'")
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({LOCK_KEY})")

    return engine


def _bring_up(engine: Engine, place: str, create: bool) -> None:
    with engine.connect().execution_options(spc_reads=True) as connection:
        found = _version(connection, place)
    if found is None and not create:
        raise SpcError(f"{shown(place)}: {_NONE_YET}")
    if found is None:
        with engine.begin() as connection:
            # Another program may have made them meanwhile.
            if _version(connection, place) is None:
                tables.create(connection)
        return
    if found > tables.VERSION:
        raise SpcError(
            f"{shown(place)}: the ledger has version {found}, this program knows up to "
            f"{tables.VERSION}; use the newer program"
        )
    if found < tables.VERSION and not create:
        raise SpcError(
            f"{shown(place)}: the ledger has version {found}, older than this program; `spc log` "
            f"or `spc import` brings it to version {tables.VERSION}, after a backup"
        )
    if found < tables.VERSION:
        _migrate(engine, place, found)


def _version(connection: Connection, place: str) -> int | None:
    """Version of the tables; None where there is nothing at all."""
    sqlite = connection.dialect.name == "sqlite"
    there = set(connection.exec_driver_sql(_TABLES[sqlite]).scalars())
    if not there:
        return None
    if not there >= {"head", "entries", "runs", "plans"}:
        raise SpcError(f"{shown(place)}: {sqlite_file.NO_LEDGER}")
    version = connection.execute(select(tables.head.c.version)).scalar_one_or_none()
    if sqlite and version is not None:
        beside = connection.exec_driver_sql("PRAGMA user_version").scalar_one()
        if beside != version:
            raise DamagedLedger(
                f"{shown(place)}: the table head says version {version}, the file version "
                f"{beside}: one of them was changed behind the ledger's back"
            )
    if version is None or version < 1:
        raise DamagedLedger(
            f"{shown(place)}: the table head says version {version}, which never was: it was "
            "changed behind the ledger's back"
        )
    return version


_TABLES = {
    True: "SELECT name FROM sqlite_master",
    False: "SELECT relname FROM pg_class WHERE relkind IN ('r', 'v', 'm', 'f', 'p') AND "
    "relnamespace = (SELECT oid FROM pg_namespace WHERE nspname = current_schema())",
}


def _migrate(engine: Engine, place: str, found: int) -> None:
    if engine.dialect.name == "sqlite":
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        path = str(engine.url.database)
        with contextlib.closing(sqlite_file.to_read(path)) as before:
            sqlite_file.copy(before, f"{path}.v{found}.{stamp}.backup")
    with engine.begin() as connection:
        for version in range(found + 1, tables.VERSION + 1):
            MIGRATIONS[version](connection)
            connection.execute(tables.head.update().values(version=version))
            if engine.dialect.name == "sqlite":
                connection.exec_driver_sql(f"PRAGMA user_version = {version}")
