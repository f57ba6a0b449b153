"""
The files that the entries of a run came from: known by their content, whatever their names.

A file that begins with all of a stored one has grown from it. Rows of the stored one are the first
rows of the new one then.
"""

import hashlib
import json
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import takewhile
from pathlib import Path

from sqlalchemy import select

from spc.ledger.entry import storable
from spc.ledger.store import LedgerRun, Reader, Writer
from spc.ledger.tables import entries, sources
from spc.run import Run, Source


@dataclass(frozen=True)
class KnownSource:
    """A file that is stored as a source of a run."""

    id: int
    name: str
    sha256: str
    size: int
    lines: int


@dataclass(frozen=True)
class FileMark:
    """A file as it is now: its name, hash and size, and the hashes of what it has grown from."""

    name: str
    sha256: str
    size: int
    grown_from: tuple[str, ...] = ()


def known_sources(reader: Reader, run: LedgerRun) -> list[KnownSource]:
    """The files of a run, the newest last."""
    c = sources.c
    query = select(c.id, c.name, c.sha256, c.bytes, c.lines).where(c.run == run.id)
    return [KnownSource(*row) for row in reader.connection.execute(query.order_by(c.id))]


def by_size(known: Iterable[KnownSource]) -> dict[int, set[str]]:
    """The hashes of stored files by their size, the smallest first, for `mark_of`."""
    sizes: dict[int, set[str]] = {}
    for each in sorted(known, key=lambda each: each.size):
        if each.size:
            sizes.setdefault(each.size, set()).add(each.sha256)
    return sizes


def mark_of(name: str, stored: Mapping[int, Collection[str]]) -> FileMark:
    """
    A file beside those of a run.

    Parameters
    ----------
    name : str
        Of the file; standard input, and what cannot be opened, have no content here.
    stored : mapping
        As from `by_size`: what it may have grown from.
    """
    if name == "-" or not Path(name).is_file():
        return FileMark(name, "", 0)
    content = Path(name).read_bytes()
    so_far, at, grown = hashlib.sha256(), 0, []
    for size in takewhile(lambda size: size < len(content), stored):
        so_far.update(content[at:size])
        at = size
        if so_far.hexdigest() in stored[size]:
            grown.append(so_far.hexdigest())
    so_far.update(content[at:])
    return FileMark(name, so_far.hexdigest(), len(content), tuple(grown))


def faults(reader: Reader) -> Iterator[str]:
    """What stands of files that is not what their imports said, which the chain covers."""
    c = sources.c
    query = select(c.id, c.run, c.name, c.sha256, c.bytes, c.lines).order_by(c.id)
    there = {number: (run, *rest) for number, run, *rest in reader.connection.execute(query)}
    said: dict[int, tuple[object, ...]] = {}
    vouched: set[tuple[object, ...]] = set()
    receipts = select(entries.c.run, entries.c.text).where(entries.c.kind == "import")
    for run, text in reader.connection.execute(receipts):
        told = json.loads(text)
        said |= {number: (run, *rest) for number, *rest in told.get("files", ())}
        # Receipts of early programs named neither the numbers nor the files of events.
        vouched |= {(run, name, sha256, lines) for name, sha256, lines, *_ in told["sources"]}
    for number, as_said in said.items():
        if there.get(number) != as_said:
            yield f"source {number} ({as_said[1]}) is not the file that its import told of"
    for number, (run, name, sha256, size, lines) in there.items():
        if number not in said and sha256 and (run, name, sha256, lines) not in vouched:
            yield f"source {number} ({name}, {size} bytes) was told of by no import"


class Files:
    """
    The files of one import beside those of the run.

    Parameters
    ----------
    reader : Reader
        Inside the transaction of the import.
    into : LedgerRun
        The run.
    read : Run
        What was read from the files.
    marks : mapping of FileMark
        The files as they are, by name.

    Attributes
    ----------
    families : dict
        By name, the numbers of the stored files that this one is or has grown from.
    kin : frozenset of int
        All of those.
    rows : list of tuple
        Number, name, hash, bytes and lines of each file, once they were added.
    """

    def __init__(
        self, reader: Reader, into: LedgerRun, read: Run, marks: Mapping[str, FileMark]
    ) -> None:
        self._into, self._marks = into, marks
        self._known = known_sources(reader, into)
        self._told = {source.name: source for source in read.sources}
        for name in sorted({str(name) for name in read.events["source"].tolist()}):
            mark = marks.get(name)
            self._told.setdefault(name, Source(name, mark.sha256 if mark else "", 0))
        self.families = {name: self._family(source) for name, source in self._told.items()}
        self.kin: frozenset[int] = frozenset().union(*self.families.values())
        self.rows: list[tuple[int, str, str, int, int]] = []

    def _family(self, source: Source) -> frozenset[int]:
        mark = self._marks.get(source.name)
        # The hash of a sheet of a workbook names the sheet, too.
        same = {source.sha256, *(mark.grown_from if mark else ())} - {""}
        return frozenset(each.id for each in self._known if each.sha256 in same)

    @property
    def of_kin(self) -> dict[int, int]:
        """For every stored file that another one has grown from: the number of the newest."""
        numbers = {name: number for number, name, *_ in self.rows}
        return {old: numbers[name] for name, family in self.families.items() for old in family}

    def by_place(self, reader: Reader) -> set[int]:
        """The numbers of stored files whose rows nothing but their place and values tell apart."""
        c = entries.c
        query = select(c.text).where(c.run == self._into.id, c.kind == "import")
        named: set[tuple[str, str]] = set()
        for receipt in reader.connection.execute(query).scalars():
            told = json.loads(receipt)["sources"]
            named |= {(name, sha256) for name, sha256, _, *rows_by in told if rows_by != ["place"]}
        return {each.id for each in self._known if (each.name, each.sha256) not in named}

    def add(self, writer: Writer) -> dict[str, int]:
        """The number of each file, by its name; those that are new are stored."""
        stored = {(each.name, each.sha256): each for each in self._known}
        for name, source in self._told.items():
            there = stored.get((storable(name), source.sha256))
            mark = self._marks.get(name)
            size = there.size if there else mark.size if mark else 0
            number = there.id if there else writer.add_source(self._into.id, source, size=size)
            lines = there.lines if there else source.lines
            self.rows.append((number, name, source.sha256, size, lines))
        return {name: number for number, name, *_ in self.rows}
