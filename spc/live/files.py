"""Measurement files into a run of the ledger: each file and each row once."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from spc.errors import SpcError, StoreBusy
from spc.ledger.imports import Imported, has_part_numbers, store_run
from spc.ledger.replay import keep_up
from spc.ledger.sources import FileMark, by_size, known_sources, mark_of
from spc.ledger.store import Ledger, LedgerRun
from spc.live.begin import run_for
from spc.plan import Plan
from spc.run import Source

if TYPE_CHECKING:
    from spc.intake.table_schema import Understanding

#: Files read together, as one stretch of the run. Own choice: memory stays small, the order of
#: files that were written in one night is still told from their times.
TOGETHER = 500
#: Times that a file is read again because it was written to meanwhile. Own choice.
_TRIES = 3


@dataclass(frozen=True)
class FileNews:
    """What became of one file or of several read together."""

    names: tuple[str, ...]
    imported: Imported | None = None
    known_as: str = ""
    refused: str = ""

    @property
    def known(self) -> bool:
        """Whether the file is in the run already, under whatever name."""
        return bool(self.known_as)

    @property
    def renamed(self) -> bool:
        """Whether it is there as a file of another name."""
        return self.known and Path(self.known_as).name != Path(self.names[0]).name

    @property
    def words(self) -> str:
        """One tab-separated line."""
        named = self.names[0] if len(self.names) == 1 else f"{len(self.names)} files"
        if self.refused:
            return f"{named}\trefused: {self.refused}"
        if self.imported is None:
            other = f", as {self.known_as}" if self.renamed else ""
            return f"{named}\talready in the ledger{other}"
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
    waiting: list[str] = []
    for name in files:
        known_as = read.known_as(name)
        if known_as:
            yield FileNews((name,), known_as=known_as)
            continue
        waiting.append(name)
        if len(waiting) >= TOGETHER:
            yield from read.store(waiting)
            waiting = []
    if waiting:
        yield from read.store(waiting)
    with ledger.writing() as writer:
        keep_up(writer, run, plan)


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
        with self.ledger.reading() as reader:
            self._names = {each.sha256: each.name for each in known_sources(reader, self.run)}
        # A sheet of a workbook has its hash, and a name behind it.
        self._names |= {sha.partition("#")[0]: name for sha, name in self._names.items() if sha}

    def known_as(self, name: str) -> str:
        """Under which name the file is in the run already; empty when it is not."""
        sha256 = mark_of(name, {}).sha256
        if not sha256 or self.events is not None:
            return ""
        return self._names.get(f"{sha256}#{self.sheet}" if self.sheet else sha256, "")

    def store(self, names: Sequence[str]) -> Iterator[FileNews]:
        """Store files together, or one by one when together they are refused."""
        try:
            yield FileNews(tuple(names), self._store(names))
        except SpcError as error:
            if error.exit_status == StoreBusy.exit_status:
                raise
            if len(names) == 1:
                yield FileNews(tuple(names), refused=str(error))
                return
            half = len(names) // 2
            yield from self.store(names[:half])
            yield from self.store(names[half:])

    def _store(self, names: Sequence[str]) -> Imported:
        from spc.intake import read_run

        every = [*names, *([self.events] if self.events else [])]
        with self.ledger.reading() as reader:
            numbered = has_part_numbers(reader, self.run)
        for _ in range(_TRIES):
            read = read_run(
                list(names),
                self.plan,
                self.events,
                sheet=self.sheet,
                understanding=self.understanding,
                growing=self.growing,
                numbered=numbered,
            )
            with self.ledger.writing() as writer:
                # What a file has grown from is asked while nobody else can add to the run.
                stored = by_size(known_sources(writer, self.run))
                marks = {name: mark_of(name, stored) for name in every}
                if any(_changed(source, marks.get(source.name)) for source in read.sources):
                    continue
                return store_run(writer, self.run, read, marks, who=self.who, plan=self.plan)
        raise StoreBusy(f"{names[0]}: it changes each time it is read; wait until it is written")


def _changed(source: Source, mark: FileMark | None) -> bool:
    """Whether a file was written to since it was read."""
    if mark is None or not mark.sha256:
        return False
    return source.sha256.partition("#")[0] != mark.sha256


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
