"""What may keep the program from working here, looked at one by one."""

import importlib.metadata
import os
import platform
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from spc import __version__
from spc.errors import SpcError
from spc.ledger.entry import now_us
from spc.ledger.place import shown, url_of
from spc.ledger.store import Ledger
from spc.ledger.tables import VERSION

#: Less free space than this is called low. Own choice: years of readings, not of backups. [MB]
LOW_MB = 500
#: STRICT tables came with SQLite 3.37.0, 2021-11-27 (release notes of SQLite).
OLDEST_SQLITE = (3, 37, 0)
_LIBRARIES = ("numpy", "scipy", "pandas", "pydantic", "sqlalchemy", "plotly", "typer")


@dataclass(frozen=True)
class Finding:
    """One thing looked at: ``good``, ``note`` or ``fault``, and what to do."""

    subject: str
    state: str
    words: str


def examine_here(place: str, plan: str | Path | None = None) -> list[Finding]:
    """
    Look at the program, its libraries, the plan, the ledger and where it lies.

    Parameters
    ----------
    place : str
        The ledger.
    plan : path, optional
        The plan of a job.
    """
    looks: list[Callable[[], Iterator[Finding]]] = [_program, _database]
    if plan is not None:
        looks.append(lambda: _plan(plan))
    looks += [lambda: _folder(place), lambda: _ledger(place)]
    return [finding for look in looks for finding in look()]


def _program() -> Iterator[Finding]:
    yield Finding("program", "good", f"spc {__version__}, Python {platform.python_version()}")
    for name in _LIBRARIES:
        try:
            yield Finding("library", "good", f"{name} {importlib.metadata.version(name)}")
        except importlib.metadata.PackageNotFoundError:
            yield Finding("library", "fault", f"{name} is missing; install spc again")


def _database() -> Iterator[Finding]:
    found = ".".join(map(str, sqlite3.sqlite_version_info))
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        yield Finding("SQLite", "fault", f"{found} is too old; a newer Python brings one")
    else:
        yield Finding("SQLite", "good", found)


def _plan(plan: str | Path) -> Iterator[Finding]:
    from spc.plan import load_plan

    try:
        job = load_plan(plan)
    except SpcError as error:
        yield Finding("plan", "fault", str(error))
        return
    yield Finding("plan", "good", f"{job.job.part}: {len(job.features)} features")
    if job.shifts.zone is None:
        yield Finding("plan", "note", "names no time zone, so shifts and pages are in UTC")


def _folder(place: str) -> Iterator[Finding]:
    url = url_of(place)
    if url.get_backend_name() != "sqlite":
        return
    folder = Path(str(url.database)).absolute().parent
    if not folder.is_dir():
        yield Finding("folder", "fault", f"{folder}: there is no such folder")
        return
    free = shutil.disk_usage(folder).free / 1e6
    yield Finding("disk", "good" if free > LOW_MB else "note", f"{free:.0f} MB free in {folder}")
    try:
        begun = time.perf_counter()
        with tempfile.NamedTemporaryFile(dir=folder) as file:
            file.write(b"x" * 4096)
            file.flush()
            os.fsync(file.fileno())
        spent = 1000 * (time.perf_counter() - begun)
        yield Finding("disk", "good" if spent < 100 else "note", f"keeps a page in {spent:.1f} ms")
    except OSError as error:
        yield Finding("folder", "fault", f"{folder}: cannot be written ({error.strerror})")


def _ledger(place: str) -> Iterator[Finding]:
    url, where = url_of(place), shown(place)
    if url.get_backend_name() == "sqlite" and not Path(str(url.database)).exists():
        yield Finding("ledger", "note", f"{where}: none yet; `spc log` or `spc import` begins one")
        return
    try:
        with Ledger(place, create=False) as ledger, ledger.reading() as reader:
            end, runs, last = reader.head(), reader.runs(), reader.last_stored()
        # Only one that is there and of this version is opened to write: nothing is made or
        # migrated. It shows whether the file, its folder and the disk take an entry.
        with Ledger(place) as ledger, ledger.writing():
            pass
    except SpcError as error:
        yield Finding("ledger", "fault", str(error))
        return
    words = f"{where}: version {VERSION}, {len(runs)} runs, head {end.words}"
    yield Finding("ledger", "good", words)
    if last > now_us():
        ahead = (last - now_us()) / 60e6
        yield Finding("clock", "note", f"the last entry is {ahead:.0f} min ahead of this clock")
    else:
        yield Finding("clock", "good", "is not behind the last entry")
