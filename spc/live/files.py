"""Measurement files into a run of the ledger: each file and each row once."""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spc.errors import SpcError
from spc.ledger.imports import FileMark, Imported, known_sources, store_run
from spc.ledger.replay import STEP, resume, unheard
from spc.ledger.store import Ledger, LedgerRun
from spc.live.begin import run_for
from spc.plan import Plan

if TYPE_CHECKING:
    from spc.intake.table_schema import Understanding

#: Files read together, as one stretch of the run. Own choice: memory stays small, the order of
#: files that were written in one night is still told from their times.
TOGETHER = 500


@dataclass(frozen=True)
class FileNews:
    """What became of one file or of several read together."""

    names: tuple[str, ...]
    imported: Imported | None = None
    known: bool = False
    refused: str = ""

    @property
    def words(self) -> str:
        """One tab-separated line."""
        named = self.names[0] if len(self.names) == 1 else f"{len(self.names)} files"
        if self.refused:
            return f"{named}\trefused: {self.refused}"
        if self.imported is None:
            return f"{named}\talready in the ledger"
        i = self.imported
        said = f"{i.readings} readings, {i.events} events stored; {i.rejects} rejects"
        return f"{named}\t{said}; {i.known} readings already there"


def take_in(
    ledger: Ledger,
    run: LedgerRun,
    plan: Plan,
    files: Sequence[str],
    *,
    events: str | None = None,
    sheet: str | None = None,
    understanding: "Understanding | None" = None,
    who: str = "import",
    growing: bool = False,
) -> Iterator[FileNews]:
    """
    Add files to a run, in batches; a file that is refused does not stop the others.

    Parameters
    ----------
    ledger, run, plan : Ledger, LedgerRun, Plan
        Where to, and how to read.
    files : sequence of str
        As `spc.intake.read_run` takes them.
    events : str, optional
        A file of events that belongs to them.
    sheet, understanding
        As for `spc.intake.read_run`.
    who : str
        Role of whoever imports.
    growing : bool
        Whether more may still come behind a last line without its end.

    Yields
    ------
    FileNews
        As each batch is stored.
    """
    read = _Reading(ledger, run, plan, events, sheet, understanding, who, growing)
    waiting: list[FileMark] = []
    for name in files:
        mark = read.mark(name)
        if mark is None:
            yield FileNews((name,), known=True)
            continue
        waiting.append(mark)
        if len(waiting) >= TOGETHER:
            yield from read.store(waiting)
            waiting = []
    if waiting:
        yield from read.store(waiting)
    keep_up(ledger, run, plan)


def keep_up(ledger: Ledger, run: LedgerRun, plan: Plan) -> None:
    """Take in a little that was added, so that the next prompt starts at once; much, it does."""
    with ledger.writing() as writer:
        if 0 < unheard(writer, run, plan) <= STEP:
            progress = resume(writer, run, plan)
            writer.keep_state(run.id, progress.line, progress.content())


@dataclass
class _Reading:
    ledger: Ledger
    run: LedgerRun
    plan: Plan
    events: str | None
    sheet: str | None
    understanding: "Understanding | None"
    who: str
    growing: bool

    def __post_init__(self) -> None:
        with self.ledger.writing() as writer:
            known = known_sources(writer, self.run)
        self._seen = {sha256 for _, _, sha256, _, _ in known}
        self._versions: dict[str, list[tuple[int, str]]] = {}
        for _, name, sha256, size, _ in known:
            self._versions.setdefault(name, []).append((size, sha256))

    def mark(self, name: str) -> FileMark | None:
        """The file as it is now; None when it is in the run already."""
        if name == "-" or not Path(name).is_file():
            # Standard input, and what cannot be opened: the reader says what is wrong.
            return FileMark(name, "", 0)
        content = Path(name).read_bytes()
        sha256 = hashlib.sha256(content).hexdigest()
        if sha256 in self._seen and self.events is None:
            return None
        grown = [
            earlier
            for size, earlier in self._versions.get(name, [])
            if 0 < size < len(content) and hashlib.sha256(content[:size]).hexdigest() == earlier
        ]
        return FileMark(name, sha256, len(content), grown[-1] if grown else None)

    def store(self, marks: Sequence[FileMark]) -> Iterator[FileNews]:
        """Store files together, or one by one when together they are refused."""
        names = tuple(mark.name for mark in marks)
        try:
            yield FileNews(names, self._store(marks))
        except SpcError as error:
            if len(marks) == 1 or error.exit_status == 4:
                if error.exit_status == 4:
                    raise
                yield FileNews(names, refused=str(error))
                return
            half = len(marks) // 2
            yield from self.store(marks[:half])
            yield from self.store(marks[half:])

    def _store(self, marks: Sequence[FileMark]) -> Imported:
        from spc.intake import read_run

        read = read_run(
            [mark.name for mark in marks],
            self.plan,
            self.events,
            sheet=self.sheet,
            understanding=self.understanding,
            growing=self.growing,
        )
        with self.ledger.writing() as writer:
            imported = store_run(
                writer, self.run, read, {mark.name: mark for mark in marks}, who=self.who
            )
        self._seen |= {mark.sha256 for mark in marks}
        return imported


@dataclass(frozen=True)
class Receipt:
    """What an import did, file by file."""

    run: str
    news: tuple[FileNews, ...]

    @property
    def refused(self) -> bool:
        """Whether a file was refused whole."""
        return any(item.refused for item in self.news)

    def lines(self) -> list[str]:
        """Tab-separated, one batch a line; questions below."""
        asked = [q for item in self.news if item.imported for q in item.imported.questions]
        return [f"run\t{self.run}", *(item.words for item in self.news), *asked]

    def as_dict(self) -> dict[str, Any]:
        """The same as one JSON document."""
        return {
            "schema": "spc.import/1",
            "run": self.run,
            "files": [
                {
                    "names": list(item.names),
                    "known": item.known,
                    "refused": item.refused or None,
                    "stored": None if item.imported is None else asdict(item.imported),
                }
                for item in self.news
            ],
        }


def import_into(
    place: str,
    plan: Plan,
    files: Sequence[str],
    *,
    name: str | None = None,
    new: bool = False,
    events: str | Path | None = None,
    sheet: str | None = None,
    understanding: "Understanding | None" = None,
) -> Receipt:
    """Files into the newest run of a plan, into the run named, or into a new one."""
    with Ledger(place) as ledger:
        run = run_for(ledger, plan, name=name, new=new)
        told = take_in(
            ledger, run, plan, files,
            events=None if events is None else str(events), sheet=sheet,
            understanding=understanding,
        )  # fmt: skip
        return Receipt(run.name, tuple(told))
