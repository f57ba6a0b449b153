"""The file of an SQLite ledger: opened to write or only to read, copied whole, put back."""

import contextlib
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from spc.errors import SpcError
from spc.ledger import refusal
from spc.ledger.tables import APPLICATION_ID

#: Said of a database that somebody else made.
NO_LEDGER = "this is a database, but no ledger of this program"
#: Seconds to wait for the sole use of a file whose shared memory cannot be made.
SOLE_USE_PATIENCE = 1.0
#: Files that SQLite keeps beside its own while it is open.
BESIDE = ("-wal", "-shm")
#: Why a file that is there may not be opened the usual way: no room, no right to make a file.
_NO_ROOM = (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN,
            sqlite3.SQLITE_READONLY, sqlite3.SQLITE_BUSY)  # fmt: skip


class LedgerFile(sqlite3.Connection):
    """A connection that knows which file it opened: device and inode."""

    file: tuple[int, int] | None = None


def identity(path: str) -> tuple[int, int] | None:
    """Which file stands under a name: device and inode; None: none does."""
    try:
        seen = os.stat(path)
    except FileNotFoundError:
        return None
    return seen.st_dev, seen.st_ino


def to_write(path: str) -> LedgerFile:
    """The file, which is there, opened to be added to."""
    # One that was moved away meanwhile is not made anew.
    connection = _connect(path, refusal.PATIENCE, f"{Path(path).absolute().as_uri()}?mode=rw")
    try:
        _require_ours(connection, path)
    except BaseException:
        connection.close()
        raise
    with contextlib.suppress(sqlite3.OperationalError):
        # Refused on read-only media, where reading still works.
        connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def to_read(path: str) -> LedgerFile:
    """
    The file, opened so that reading leaves it and its folder as they were.

    What stands in its log and was not merged yet is read, and stays where it is. Where the shared
    memory beside it cannot be made (a full disk, a folder that is read-only) the file is taken for
    sole use while it is read; where not even that is granted, nobody can be writing, and it is
    read as it lies unless something was left in its log.
    """
    name = Path(path).absolute().as_uri()
    left = _size(f"{path}-wal") > 0
    alone = not left and not Path(f"{path}-shm").exists()
    # Read-only, SQLite would leave the files beside it that it made; else it would merge the log.
    ways = [f"{name}?mode={'ro' if left else 'rw'}", f"{name}?mode=rw"]
    ways += [f"{name}?mode=ro&immutable=1"] if alone else []
    first: sqlite3.OperationalError | None = None
    for number, way in enumerate(ways):
        connection = None
        try:
            connection = _connect(path, SOLE_USE_PATIENCE if number else refusal.PATIENCE, way)
            if number == 1:
                connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            connection.execute("PRAGMA query_only = ON")
            _require_ours(connection, path)
            return connection
        except (sqlite3.DatabaseError, SpcError) as error:
            if connection is not None:
                connection.close()
            if not isinstance(error, sqlite3.OperationalError):
                raise
            first = first or error
            if error.sqlite_errorcode & 0xFF not in _NO_ROOM:
                break
    assert first is not None
    raise first


def _require_ours(connection: sqlite3.Connection, path: str) -> None:
    (kind,) = connection.execute("PRAGMA application_id").fetchone()
    (objects,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if kind != APPLICATION_ID and objects:
        raise SpcError(f"{path}: {NO_LEDGER}")


def _connect(path: str, patience: float, uri: str) -> LedgerFile:
    while True:
        before = identity(path)
        # The driver would begin transactions late and as readers; both are ours to say.
        connection = sqlite3.connect(
            uri,
            timeout=patience,
            isolation_level=None,
            check_same_thread=False,
            factory=LedgerFile,
            uri=True,
        )
        connection.file = identity(path)
        if before == connection.file:
            return connection
        connection.close()


def copy(source: sqlite3.Connection, target: str) -> None:
    """A whole, consistent copy by the database's own backup call; `target` must be new."""
    with made_beside(target) as made:
        _copy(source, made)


@contextlib.contextmanager
def made_beside(target: str) -> Iterator[str]:
    """A name under which a new file is made; `target` is its name once it is whole."""
    if Path(target).exists():
        raise SpcError(f"{target}: this file exists; a backup never overwrites one")
    with _workshop(target) as folder:
        made = os.path.join(folder, "copy")
        yield made
        _put(made, target)


def replace(source: sqlite3.Connection, path: str, aside: str) -> None:
    """
    Put the content of another file in the place of this one's, and keep the old one aside.

    It is one transaction of the database: whoever has the file open goes on in the new content
    with the next thing asked, nothing is added between the copy that is kept and the change, and
    a crash or a disk without room leaves the old content. The file stays the same, and so do the
    files beside it, which belong to it alone.

    Parameters
    ----------
    source : Connection
        To the file to be put back.
    path : str
        The file that is replaced.
    aside : str
        A new file for the old content.

    Raises
    ------
    sqlite3.DatabaseError
        When it cannot be done; the old content stands then and `aside` does not.
    """
    began = time.monotonic()
    kept: list[str] = []

    def step(status: int, _remaining: int, _pages: int) -> None:
        # Called when the file is locked against other writers, before anything is changed.
        if status in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            if time.monotonic() - began > refusal.PATIENCE:
                raise sqlite3.OperationalError("database is locked")
        elif not kept:
            with contextlib.closing(to_read(path)) as before:
                copy(before, aside)
            kept.append(aside)

    with contextlib.closing(to_write(path)) as old:
        try:
            source.backup(old, pages=1, progress=step)
        except BaseException:
            for name in kept:
                Path(name).unlink()
            raise
        finally:
            with contextlib.suppress(sqlite3.OperationalError):
                # What was not kept of the new content would go on taking up the room.
                old.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def place_new(source: sqlite3.Connection, path: str, aside: str) -> bool:
    """
    Put a copy where there is no file, or one that is no database and is kept aside.

    Returns
    -------
    bool
        Whether anything was kept aside.
    """
    with _workshop(path) as folder:
        made = os.path.join(folder, "copy")
        # Only when the whole copy is there does the old file leave its place.
        _copy(source, made)
        found = [tail for tail in ("", *BESIDE) if Path(path + tail).exists()]
        for tail in found[::-1]:
            # Left under the old name, what lies beside would be merged into the next file.
            if tail:
                os.rename(path + tail, aside + tail)
            else:
                _second_name(path, aside)
        if "" in found:
            os.replace(made, path)
        else:
            _put(made, path)
        _settle(path)
    return bool(found)


@contextlib.contextmanager
def _workshop(target: str) -> Iterator[str]:
    """A folder beside a file that is to be made; it goes with all that was left in it."""
    folder = tempfile.mkdtemp(prefix=".spc-", dir=Path(target).absolute().parent)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _copy(source: sqlite3.Connection, made: str) -> None:
    with contextlib.closing(sqlite3.connect(made)) as new:
        source.backup(new)
    with open(made, "rb+") as file:
        os.fsync(file.fileno())


def _put(made: str, target: str) -> None:
    """Give a finished file its name, over no other that came meanwhile."""
    try:
        _second_name(made, target)
    except FileExistsError:
        raise SpcError(f"{target}: this file exists; a backup never overwrites one") from None
    _settle(target)


def _second_name(old: str, new: str) -> None:
    try:
        os.link(old, new)
    except FileExistsError:
        raise
    except OSError:
        # Sticks and some shares know no second name for a file.
        os.rename(old, new)


def _settle(target: str) -> None:
    """Make sure that names given in a folder outlive a loss of power."""
    with contextlib.suppress(OSError):
        folder = os.open(Path(target).absolute().parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _size(path: str) -> int:
    try:
        return os.stat(path).st_size
    except FileNotFoundError:
        return 0
