"""Whether a ledger is what it was: the file, the chain line by line, what hangs on it, its end."""

import hashlib
import sqlite3
import tomllib
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import DBAPIError

from spc.errors import SpcError
from spc.ledger import guards, sources
from spc.ledger.chain import BATCH, START, digest, linked, state_chain
from spc.ledger.store import Ledger, Reader
from spc.ledger.tables import COLUMNS, entries, plans, runs, states


@dataclass(frozen=True)
class Verdict:
    """
    What was looked at and what is wrong.

    Attributes
    ----------
    lines : int
        Entries that were read.
    head : str
        Hash over all of them, in hexadecimal.
    faults : tuple of str
        What is wrong, by line; empty when nothing is.
    known_at : int or None
        Line after which the head that was asked about stood.
    """

    lines: int
    head: str
    faults: tuple[str, ...]
    known_at: int | None = None


def verify(ledger: Ledger, *, head: str | None = None) -> Verdict:
    """
    Read the whole ledger and check it against its own chain.

    Parameters
    ----------
    ledger : Ledger
        Open.
    head : str, optional
        A head printed in a report, or its first 16 characters or more; is it part of the chain?
    """
    if head is not None and len(head) < 16:
        raise SpcError(f"--head {head!r} is too short; give at least its first 16 characters")
    faults: list[str] = []
    walk = _Walk(0, START, None)
    with ledger.reading() as reader:
        # Each step alone: a page that cannot be read must not hide what the others find.
        steps: tuple[Callable[[], None], ...] = (
            lambda: faults.extend(_file_faults(reader)),
            lambda: _take(walk, reader, faults, (head or "").lower()),
            lambda: faults.extend(_end_faults(reader, walk)),
            lambda: faults.extend(_state_faults(reader)),
            lambda: faults.extend(_plan_faults(reader)),
            lambda: faults.extend(_run_faults(reader)),
            lambda: faults.extend(sources.faults(reader)),
            lambda: faults.extend(guards.faults(reader.connection)),
        )
        for step in steps:
            try:
                step()
            except (DBAPIError, sqlite3.DatabaseError) as error:
                says = str(getattr(error, "orig", None) or error).splitlines()[0]
                faults.append(f"the file cannot be read on after line {walk.line} ({says})")
    return Verdict(walk.line, walk.chain.hex(), tuple(dict.fromkeys(faults)), walk.known_at)


@dataclass
class _Walk:
    line: int
    chain: bytes
    known_at: int | None


def _file_faults(reader: Reader) -> list[str]:
    if reader.connection.dialect.name != "sqlite":
        return []
    ask = reader.connection.exec_driver_sql
    # The conditions of the tables take half of the time and tell nothing that the chain does not:
    # a row that breaks one was never stored so, and its hash shows it.
    ask("PRAGMA ignore_check_constraints = ON")
    try:
        said = [str(row[0]) for row in ask("PRAGMA integrity_check(20)")]
    finally:
        ask("PRAGMA ignore_check_constraints = OFF")
    faults = [f"database file: {words}" for words in said if words != "ok"]
    for table, row, parent, _ in ask("PRAGMA foreign_key_check"):
        faults.append(f"{table} row {row} refers to a row of {parent} that does not exist")
    return faults


def _take(walk: _Walk, reader: Reader, faults: list[str], asked: str) -> None:
    for rows in _batches(reader):
        stored = [row[-1] for row in rows]
        whole = [row[:-1] for row in rows]
        unbroken = (whole[0][0], whole[-1][0]) == (walk.line + 1, walk.line + len(whole))
        if not unbroken or list(linked(whole, walk.chain)) != stored:
            faults += _line_faults(whole, stored, walk)
        if asked:
            hits = [row[0] for row, chain in zip(whole, stored, strict=True)
                    if chain.hex().startswith(asked)]  # fmt: skip
            walk.known_at = hits[0] if hits else walk.known_at
        walk.line, walk.chain = whole[-1][0], stored[-1]


def _batches(reader: Reader) -> Iterator[Sequence[Any]]:
    """Every entry in order, as plain tuples of the driver: a million of them in seconds."""
    query = f"SELECT {', '.join(COLUMNS)} FROM entries ORDER BY line"
    raw = reader.connection.connection
    # Without a name a PostgreSQL cursor would fetch the whole ledger at once.
    named = {} if reader.connection.dialect.name == "sqlite" else {"name": "spc_verify"}
    cursor = raw.cursor(**named)
    try:
        cursor.execute(query)
        while rows := cursor.fetchmany(BATCH):
            yield rows
    finally:
        cursor.close()


def _line_faults(rows: list[tuple[Any, ...]], stored: list[bytes], walk: _Walk) -> Iterator[str]:
    """Which lines are missing or do not follow from the line before as it stands."""
    before, line = walk.chain, walk.line
    for row, chain in zip(rows, stored, strict=True):
        if row[0] != line + 1:
            yield _missing(line + 1, row[0] - 1)
        elif next(iter(linked([row], before))) != chain:
            yield (
                f"line {row[0]} was changed after it was stored "
                f"({row[3]} of part {row[4]}, {row[7] or row[13] or 'no name'})"
            )
        before, line = chain, row[0]


def _missing(first: int, last: int) -> str:
    return f"line {first} is missing" if first == last else f"lines {first} to {last} are missing"


def _end_faults(reader: Reader, walk: _Walk) -> list[str]:
    end, faults = reader.head(), []
    if end.line > walk.line:
        faults.append(_missing(walk.line + 1, end.line))
    elif (end.line, end.chain) != (walk.line, walk.chain):
        faults.append(
            f"the ledger says it ends after line {end.line} with {end.chain.hex()[:16]}, but it "
            f"ends after line {walk.line} with {walk.chain.hex()[:16]}"
        )
    return faults


def _state_faults(reader: Reader) -> Iterator[str]:
    query = (
        select(states.c.run, states.c.line, states.c.content, states.c.chain, entries.c.chain)
        .outerjoin(entries, (entries.c.line == states.c.line) & (entries.c.run == states.c.run))
        .order_by(states.c.run, states.c.line)
    )
    for run, line, content, bound, chain in reader.connection.execute(query):
        if chain is None:
            yield f"run {run}: line {line} is not what the adviser saw there"
        # Those of early programs were bound to the line alone; nobody goes on from them.
        elif bytes(bound) not in (bytes(chain), state_chain(bytes(chain), content)):
            yield (
                f"run {run}: what the adviser kept after line {line} was changed, or the line was; "
                "it counts for nothing, the entries are taken in instead"
            )


def _plan_faults(reader: Reader) -> Iterator[str]:
    versions: Counter[str] = Counter()
    # A byte-order mark is not kept with the text; with or without it the plan is the same.
    for number, sha256, part, version, content in reader.connection.execute(
        select(plans.c.id, plans.c.sha256, plans.c.part, plans.c.version, plans.c.content).order_by(
            plans.c.id
        )
    ):
        marked = (content.encode(), content.encode("utf-8-sig"))
        if sha256 not in [hashlib.sha256(text).hexdigest() for text in marked]:
            yield f"plan {number}: its text is not the one that was stored"
            continue
        named = tomllib.loads(content)["job"]["part"]
        versions[named] += 1
        if (part, version) != (named, versions[named]):
            yield (
                f"plan {number}: stands as version {version} of {part!r}, but its text and place "
                f"make it version {versions[named]} of {named!r}"
            )


def _run_faults(reader: Reader) -> Iterator[str]:
    begun = select(entries.c.run, entries.c.text, entries.c.note, entries.c.what).where(
        entries.c.kind == "run"
    )
    told = {run: begun_with for run, *begun_with in reader.connection.execute(begun)}
    query = select(runs.c.id, runs.c.name, plans.c.sha256, runs.c.learned).join(
        plans, plans.c.id == runs.c.plan
    )
    for run, name, sha256, learned in reader.connection.execute(query):
        *named, known = told.get(run, ("", "", ""))
        if named != [name, sha256]:
            yield f"run {run}: its name or plan is not the one it was begun with"
        # Runs of early programs were begun without a word of what had been learned.
        elif known and known != digest(learned):
            yield f"run {run}: what its adviser had learned before it is not what it was begun with"
