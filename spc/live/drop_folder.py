"""
The drop folder: what a gauge computer writes there is stored, row by row, as it comes.

Nothing that happens to a file is fatal: one still being written is waited for, a locked or
vanished one is named and tried again, a refused one is named and tried again when it changes.
Events of ``shift.csv`` may lie beside it in ``shift_events.csv``; the two are read together.
"""

import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event

from watchfiles import watch

from spc.errors import SpcError
from spc.ledger.refusal import LedgerReplaced
from spc.live.files import FileNews, take_in
from spc.live.session import Session

#: Names of files that are looked at.
SUFFIXES = frozenset({".csv", ".txt", ".tsv", ".dat", ".asc", ".xlsx", ".xls"})
#: A file must have kept its size and time for so long. [s]
STILL = 1.0
#: A last line without its end is waited for this long, then read as it is. [s]
UNFINISHED = 20.0
#: The whole folder is looked through so often, for drives that announce nothing. [s]
ROUND = 15.0
_TICK_MS = 500
#: What the name of a file of events ends with, before its suffix.
_EVENTS = "_events"
#: Bytes at the end of a file that its last line is looked for in.
_TAIL = 65_536

Say = Callable[[str], None]


@dataclass
class _Look:
    """A file as it was last seen."""

    size: int
    changed: int
    since: float
    said: str = ""
    whole: int = 0


@dataclass
class DropFolder:
    """
    The state of one folder that is watched.

    Parameters
    ----------
    folder : Path
        Its files are looked at, those of folders inside it are not.
    session : Session
        The run they go into.
    say : callable
        Takes one line of news.
    stored : callable
        Called after rows were stored.
    clock : callable
        Seconds that only move on.
    """

    folder: Path
    session: Session
    say: Say
    stored: Callable[[Session], None] = lambda _session: None
    clock: Callable[[], float] = time.monotonic
    waiting: dict[str, _Look] = field(default_factory=dict)
    done: dict[str, tuple[int, int]] = field(default_factory=dict)
    whole: dict[str, int] = field(default_factory=dict)

    def run(self, stop: Event) -> None:
        """Watch until `stop` is set; whatever is being stored is finished first."""
        self.look(self._all())
        last_round = self.clock()
        for changes in watch(
            self.folder,
            watch_filter=None,
            stop_event=stop,
            recursive=False,
            debounce=200,
            rust_timeout=_TICK_MS,
            yield_on_timeout=True,
            raise_interrupt=False,
        ):
            # Named as the folder was, whatever the system calls it.
            told = {os.path.join(self.folder, os.path.basename(path)) for _, path in changes}
            names = told | set(self.waiting)
            if self.clock() - last_round > ROUND:
                names |= set(self._all())
                last_round = self.clock()
            if names:
                self.look(sorted(names))

    def _all(self) -> list[str]:
        try:
            with os.scandir(self.folder) as there:
                return sorted(entry.path for entry in there if entry.is_file())
        except OSError as error:
            self.say(f"{self.folder}: cannot be looked into ({error.strerror}); trying again")
            return []

    def look(self, names: list[str]) -> None:
        """Look at some files, and store those that are ready."""
        ready = [name for name in names if self._wanted(name) and self._is_ready(name)]
        alone: list[str] = []
        paired: dict[str, str] = {}
        for name in ready:
            if Path(name).stem.casefold().endswith(_EVENTS):
                readings = _beside(name, Path(name).stem[: -len(_EVENTS)])
                if readings is None:
                    self._say_once(name, f"{name}: the file these events belong to is not there")
                else:
                    paired[readings] = name
            elif (events := _beside(name, Path(name).stem + _EVENTS)) is not None:
                paired[name] = events
            else:
                alone.append(name)
        if alone:
            self._store(alone)
        for readings, events in paired.items():
            self._store([readings], events)

    def _wanted(self, name: str) -> bool:
        path = Path(name)
        return path.suffix.casefold() in SUFFIXES and not path.name.startswith((".", "~"))

    def _is_ready(self, name: str) -> bool:
        """Whether a file is new, readable, and no longer being written."""
        try:
            seen = os.stat(name)
            now = (seen.st_size, seen.st_mtime_ns)
            if self.done.get(name) == now:
                self.waiting.pop(name, None)
                return False
            look = self.waiting.get(name)
            if look is None or (look.size, look.changed) != now:
                said = look.said if look else ""
                self.waiting[name] = _Look(*now, self.clock(), said)
                # A file that was left alone for long needs no second look.
                if look is not None or time.time() - seen.st_mtime < 2 * STILL:
                    return False
                look = self.waiting[name]
            still = self.clock() - look.since
            with open(name, "rb") as file:
                if still < STILL and time.time() - seen.st_mtime < 2 * STILL:
                    return False
                return self._is_finished(name, file.seek(0, os.SEEK_END), still)
        except FileNotFoundError:
            if self.waiting.pop(name, None) is not None:
                self.say(f"{name}: went away before it could be read")
            return False
        except OSError as error:
            self._say_once(name, f"{name}: cannot be read ({error.strerror}); trying again")
            return False

    def _is_finished(self, name: str, size: int, still: float) -> bool:
        if size == 0:
            return False
        if Path(name).suffix.casefold() in (".xlsx", ".xls"):
            return True
        with open(name, "rb") as file:
            file.seek(max(0, size - _TAIL))
            tail = file.read()
        ended = tail.endswith((b"\r", b"\n", b"\0"))
        # Programs that write by blocks leave a line half written most of the time; the whole ones
        # before it are not held up, and the reader leaves the unfinished one out.
        whole = size - len(tail) + max(tail.rfind(b"\n"), tail.rfind(b"\r")) + 1
        if ended or whole != self.whole.get(name, _first_line(tail)) or still > UNFINISHED:
            self.waiting[name].whole = whole
            return True
        self._say_once(name, f"{name}: the last line has no end yet; waiting for it")
        return False

    def _say_once(self, name: str, words: str) -> None:
        look = self.waiting.setdefault(name, _Look(-1, -1, self.clock()))
        if look.said != words:
            look.said = words
            self.say(words)

    def _store(self, ready: list[str], events: str | None = None) -> None:
        session, added = self.session, 0
        try:
            ledger, run, plan = session.ledger, session.run, session.plan
            for news in take_in(ledger, run, plan, ready, events=events, growing=True):
                added += self._heard(news, events)
        except (SpcError, OSError) as error:
            # The store is busy or full, or a file went away between two looks: the next look
            # tries again, and what was stored already is known then.
            self.say(f"{error}; trying again")
            if isinstance(error, LedgerReplaced):
                # What it does not hold of the files that were done is stored again.
                session.refresh()
                self.done.clear()
            return
        if added:
            session.refresh()
            self.stored(session)

    def _heard(self, news: FileNews, events: str | None) -> int:
        for name in (*news.names, *([events] if events else [])):
            look = self.waiting.pop(name, None)
            if look is not None:
                self.done[name] = (look.size, look.changed)
                self.whole[name] = look.whole
        if not news.known:
            self.say(news.words)
        if news.imported is None:
            return 0
        for question in news.imported.questions:
            self.say(question)
        return news.imported.readings + news.imported.events


def _beside(name: str, stem: str) -> str | None:
    """The file of that stem in the same folder, of the same kind before any other."""
    own = Path(name).suffix
    for suffix in (own, *sorted(SUFFIXES - {own})):
        other = os.path.join(os.path.dirname(name), stem + suffix)
        if os.path.isfile(other):
            return other
    return None


def _first_line(tail: bytes) -> int:
    """Where the first line ends: a heading alone is nothing to read yet."""
    ends = [at for at in (tail.find(b"\n"), tail.find(b"\r")) if at >= 0]
    return max(ends, default=-1) + 1
