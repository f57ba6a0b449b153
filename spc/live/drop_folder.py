"""
The drop folder: what a gauge computer writes there is stored, row by row, as it comes.

Nothing that happens to a file is fatal: one still being written is waited for, a locked or
vanished one is named and tried again, a refused one is named and tried again when it changes. Only
plain files are opened: a pipe would be waited for without end, and a link may lead anywhere.
Events of ``shift.csv`` may lie beside it in ``shift_events.csv``; the two are read together.

The folder is looked through again and again instead of being announced by the system: drives of
another computer announce nothing, and a look at 5,000 files takes 0.02 s.
"""

import os
import stat
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event
from typing import BinaryIO

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
#: The folder is looked through this long after the last look. [s] Own choice.
PAUSE = 0.5
#: Share of its time that may go into looking, for folders and drives where a look takes long. Own
#: choice.
BUSY = 0.1
#: A larger file is left to `spc import`. [MB] Own choice: well over a million rows.
MOST_MB = 50
#: What the name of a file of events ends with, before its suffix.
_EVENTS = "_events"
#: Bytes at the end of a file that its last line is looked for in.
_TAIL = 65_536
#: Neither waits at what became a pipe, nor follows what became a link, where the system can.
_PLAINLY = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0)
#: What is no plain file, and what to do about it.
_ODD = (
    (stat.S_ISLNK, "a link, and links are not followed; put the file itself here"),
    (stat.S_ISDIR, "a folder; its files are not looked at"),
    (stat.S_ISFIFO, "a named pipe, not a file"),
    (stat.S_ISSOCK, "a socket, not a file"),
)

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
    left_alone: dict[str, str] = field(default_factory=dict)
    asked: set[str] = field(default_factory=set)

    def run(self, stop: Event) -> None:
        """Look until `stop` is set."""
        while not stop.is_set():
            begun = self.clock()
            ready = self._ready(self.files())
            took = self.clock() - begun
            self._take(ready)
            stop.wait(max(PAUSE, took / BUSY))

    def look(self) -> None:
        """Look through the folder once, and store the files that are ready."""
        self._take(self._ready(self.files()))

    def files(self) -> list[str]:
        """The plain files that are looked at; whatever else is called so is named once."""
        found: list[str] = []
        odd: dict[str, str] = {}
        try:
            with os.scandir(self.folder) as there:
                for entry in there:
                    if not _wanted(entry.name):
                        continue
                    why = _why_not(entry)
                    if why:
                        odd[entry.path] = f"left alone: {why}"
                    else:
                        found.append(entry.path)
        except OSError as error:
            found.clear()
            odd[str(self.folder)] = f"cannot be looked into ({error.strerror}); trying again"
        for name in sorted(odd):
            if self.left_alone.get(name) != odd[name]:
                self._tell(f"{name}: {odd[name]}")
        self.left_alone = odd
        return sorted(found)

    def _ready(self, names: list[str]) -> list[str]:
        # One that is waited for and is not there any more went away.
        return [name for name in sorted({*names, *self.waiting}) if self._is_ready(name)]

    def _take(self, ready: list[str]) -> None:
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

    def _is_ready(self, name: str) -> bool:
        """Whether a file is new, readable, and no longer being written."""
        try:
            seen = os.lstat(name)
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
            if seen.st_size > MOST_MB * 1e6:
                large = f"left alone: it is larger than {MOST_MB} MB; store it with spc import"
                self._say_once(name, f"{name}: {large}")
                return False
            still = self.clock() - look.since
            with _open(name) as file:
                if still < STILL and time.time() - seen.st_mtime < 2 * STILL:
                    return False
                return self._is_finished(name, file, still)
        except FileNotFoundError:
            if self.waiting.pop(name, None) is not None:
                self._tell(f"{name}: went away before it could be read")
            return False
        except OSError as error:
            self._say_once(name, f"{name}: cannot be read ({error.strerror}); trying again")
            return False

    def _is_finished(self, name: str, file: BinaryIO, still: float) -> bool:
        size = file.seek(0, os.SEEK_END)
        if size == 0:
            return False
        if Path(name).suffix.casefold() in (".xlsx", ".xls"):
            return True
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
            self._tell(words)

    def _tell(self, words: str) -> None:
        # A name may hold what a terminal would obey, or bytes that are no text.
        self.say("".join(c if c.isprintable() or c == "\t" else _shown(c) for c in words))

    def _store(self, ready: list[str], events: str | None = None) -> None:
        session, added = self.session, 0
        try:
            ledger, run, plan = session.ledger, session.run, session.plan
            for news in take_in(ledger, run, plan, ready, events=events, growing=True):
                added += self._heard(news, events)
        except (SpcError, OSError) as error:
            # The store is busy or full, or a file went away between two looks: the next look
            # tries again, and what was stored already is known then.
            self._tell(f"{error}; trying again")
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
        if not news.known or news.renamed:
            self._tell(news.words)
        if news.imported is None:
            return 0
        for question in news.imported.questions:
            # A file that grows asks the same each time.
            if question not in self.asked:
                self._tell(question)
        self.asked |= {*news.imported.questions}
        return news.imported.readings + news.imported.events


def _wanted(name: str) -> bool:
    return os.path.splitext(name)[1].casefold() in SUFFIXES and not name.startswith((".", "~"))


def _why_not(entry: "os.DirEntry[str]") -> str:
    """Why an entry of the folder is not opened; empty for a plain file."""
    if not entry.is_file(follow_symlinks=False):
        try:
            kind = entry.stat(follow_symlinks=False).st_mode
        except OSError:
            return "it went away"
        return next((what for is_so, what in _ODD if is_so(kind)), "a device, not a file")
    try:
        entry.name.encode()
    except UnicodeEncodeError:
        return "its name is no text; rename it"
    return ""


def _shown(character: str) -> str:
    """A character that is not printed as it is; for a byte that is no text, that byte."""
    code = ord(character)
    return f"\\x{code - 0xDC00:x}" if 0xDC80 <= code <= 0xDCFF else ascii(character)[1:-1]


def _open(name: str) -> BinaryIO:
    """A plain file, whatever the name has come to mean since it was looked at."""
    file = open(name, "rb", opener=lambda path, flags: os.open(path, flags | _PLAINLY))  # noqa: SIM115 - handed on
    if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        file.close()
        raise OSError(0, "it is no plain file any more", name)
    return file


def _beside(name: str, stem: str) -> str | None:
    """The file of that stem in the same folder, of the same kind before any other."""
    own = Path(name).suffix
    for suffix in (own, *sorted(SUFFIXES - {own})):
        other = os.path.join(os.path.dirname(name), stem + suffix)
        if not os.path.islink(other) and os.path.isfile(other):
            return other
    return None


def _first_line(tail: bytes) -> int:
    """Where the first line ends: a heading alone is nothing to read yet."""
    ends = [at for at in (tail.find(b"\n"), tail.find(b"\r")) if at >= 0]
    return max(ends, default=-1) + 1
