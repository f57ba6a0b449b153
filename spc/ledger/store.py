"""The ledger: plans, runs and entries, added in one chain and fetched as they stand."""

import json
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from sqlalchemy import Connection, Engine, func, select
from sqlalchemy.exc import DBAPIError

from spc import __version__
from spc.errors import SpcError, StoreBusy
from spc.ledger.chain import Head, digest, linked, state_chain
from spc.ledger.entry import Entry, Stored, now_us, storable
from spc.ledger.opening import Database
from spc.ledger.place import shown
from spc.ledger.refusal import NOTHING_STORED, LedgerReplaced, NotKnown, clear, clear_words
from spc.ledger.tables import COLUMNS, entries, head, plans, runs, sources, states
from spc.plan import Plan, read_plan

if TYPE_CHECKING:
    from spc.run import Source

#: States of the adviser kept per run: how many lines an undo may go back without a replay.
STATES_KEPT = 40
#: After a commit that was not answered it is looked again after these times, long enough for a
#: server that is started anew. Own choice. [s]
LOOKS_S = (0.3, 0.7, 1.5, 2.5, 5.0)
#: Rows sent to the database at once.
CHUNK = 5000


@dataclass(frozen=True)
class LedgerRun:
    """One production run in the ledger, and the plan version it was made under."""

    id: int
    name: str
    plan: int
    learned: tuple[dict[str, Any], ...]


class Ledger:
    """
    A ledger that is open.

    Parameters
    ----------
    place : str
        File name or ``postgresql://`` URL.
    create : bool
        Whether to begin one where there is none, or to bring an older one up to date. Off: it is
        only read, and nothing is made or changed anywhere.
    """

    def __init__(self, place: str | Path, *, create: bool = True) -> None:
        self.place = str(place)
        self._database = Database(self.place, create=create)
        self._known: Head | None = None

    @property
    def engine(self) -> Engine:
        """The database as it is open now."""
        return self._database.engine

    @property
    def shown(self) -> str:
        """Its place, fit to be shown."""
        return shown(self.place)

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()

    @contextmanager
    def writing(self) -> Iterator["Writer"]:
        """
        One transaction: everything said in it is stored, or nothing.

        When the store goes away while it is told to keep it, it is looked whether it stands.

        Raises
        ------
        LedgerReplaced
            When another ledger stands there than the one that was read last; nothing is stored.
        NotKnown
            When the store went away and does not come back: ask `stands` later.
        """
        lost: DBAPIError | None = None
        with (
            clear_words(self.place, NOTHING_STORED),
            self._database.transaction(reads=False) as connection,
        ):
            writer = Writer(connection)
            self._compare(writer)
            yield writer
            try:
                connection.commit()
            except DBAPIError as error:
                lost = error
                # It may still be inside the transaction: nothing else goes through it.
                connection.invalidate()
        if lost is not None and not (writer.end and self._stood(writer.end, lost)):
            raise clear(self.place, lost, NOTHING_STORED) from lost
        self._known = writer.end or self._known

    @contextmanager
    def reading(self) -> Iterator["Reader"]:
        """
        One consistent view, while others may write.

        Raises
        ------
        LedgerReplaced
            When another ledger stands there than the one that was read last.
        """
        with clear_words(self.place), self._database.transaction(reads=True) as connection:
            reader = Reader(connection)
            self._compare(reader)
            yield reader

    def look_anew(self, known: Head | None = None) -> Head | None:
        """Take whatever ledger stands there for the one that is meant, or only one with this end.

        Returns
        -------
        Head or None
            The end that it had to have until now.
        """
        self._known, before = known, self._known
        return before

    def stands(self, end: Head) -> bool:
        """
        Whether entries stand in the ledger whose last line and chain are these.

        Asked as a writer, who waits until whoever stored them has surely finished.
        """
        with clear_words(self.place), self._database.transaction(reads=False) as connection:
            return Writer(connection).knows(end)

    def _stood(self, end: Head, lost: DBAPIError) -> bool:
        """After a commit that was not answered: whether it was done all the same."""
        for wait in (0.0, *LOOKS_S):
            time.sleep(wait)
            with suppress(StoreBusy, DBAPIError):
                return self.stands(end)
        raise NotKnown(
            f"{clear(self.place, lost)}; whether the entry is stored is not known yet", end
        ) from lost

    def _compare(self, reader: "Reader") -> None:
        """Whether this is the ledger that was read last, by the end it had then."""
        end = reader.head()
        if self._known is not None and not reader.knows(self._known):
            raise LedgerReplaced(
                f"{self.shown}: another ledger was put in the place of this one, such as by "
                "`spc ledger restore`"
            )
        self._known = end


class Reader:
    """Questions to the ledger inside one transaction."""

    def __init__(self, connection: Connection) -> None:
        self.connection = connection

    def head(self) -> Head:
        """Where the chain ends."""
        line, chain = self.connection.execute(select(head.c.line, head.c.chain)).one()
        return Head(line, bytes(chain))

    def knows(self, end: Head) -> bool:
        """Whether the chain ends, or once ended, just so."""
        if end == self.head() or not end.line:
            return True
        query = select(entries.c.chain).where(entries.c.line == end.line)
        chain = self.connection.execute(query).scalar_one_or_none()
        return chain is not None and bytes(chain) == end.chain

    def runs(self, part: str | None = None) -> list[LedgerRun]:
        """The runs in the order they were begun; of one part, or all."""
        query = select(runs.c.id, runs.c.name, runs.c.plan, runs.c.learned).order_by(runs.c.id)
        if part is not None:
            query = query.join(plans, plans.c.id == runs.c.plan).where(plans.c.part == part)
        return [
            LedgerRun(id, name, plan, tuple(json.loads(learned)))
            for id, name, plan, learned in self.connection.execute(query)
        ]

    def run_named(self, name: str) -> LedgerRun | None:
        """The run of that name."""
        return next((run for run in self.runs() if run.name == name), None)

    def plan_of(self, run: LedgerRun) -> Plan:
        """The plan a run was made under, as it stood then."""
        content, source = self.connection.execute(
            select(plans.c.content, plans.c.source).where(plans.c.id == run.plan)
        ).one()
        return read_plan(content.encode(), source=source)

    def plan_id(self, plan: Plan) -> int | None:
        """Number of this very plan version in the ledger."""
        query = select(plans.c.id).where(plans.c.sha256 == plan.sha256)
        return self.connection.execute(query).scalar_one_or_none()

    def newest_run(self, plan: Plan) -> LedgerRun | None:
        """The run begun last under this very plan version."""
        number = self.plan_id(plan)
        return next((run for run in reversed(self.runs()) if run.plan == number), None)

    def entries(self, run: int, *, after: int = 0, most: int | None = None) -> list[Stored]:
        """Entries of a run after a line, all or so many, corrected or not, in the order stored."""
        # The sign keeps SQLite from walking a run's whole index for its last few lines.
        own = "+run" if after > 0 else "run"
        rows = self.connection.exec_driver_sql(
            f"SELECT {', '.join(COLUMNS[:-1])} FROM entries WHERE {own} = {int(run)} "
            f"AND line > {int(after)} ORDER BY line"
            + ("" if most is None else f" LIMIT {int(most)}")
        )
        return [Stored.of(row) for row in rows]

    def entries_between(self, run: int, parts: tuple[int, int]) -> list[Stored]:
        """Every entry of a run within a span of parts, both ends included."""
        rows = self.connection.exec_driver_sql(
            f"SELECT {', '.join(COLUMNS[:-1])} FROM entries WHERE run = {int(run)} "
            f"AND part BETWEEN {int(parts[0])} AND {int(parts[1])} ORDER BY line"
        )
        return [Stored.of(row) for row in rows]

    def events_named(self, run: int, kinds: Sequence[str], *, before: int) -> list[Stored]:
        """Events of some kinds after parts before one, with what was corrected among them."""
        marked = select(*entries.columns[:-1]).where(entries.c.run == run, entries.c.part < before)
        query = marked.where(entries.c.what.in_(kinds)).order_by(entries.c.line)
        return [Stored.of(tuple(row)) for row in self.connection.execute(query)]

    def corrected(self, run: int, *, after: int) -> list[int]:
        """Lines of a run that were corrected by entries after a line."""
        query = select(entries.c.corrects).where(entries.c.corrects.is_not(None))
        query = query.where(entries.c.run == run, entries.c.line > after)
        return list(self.connection.execute(query).scalars())

    def typed_last(
        self, run: int, kinds: Sequence[str], *, most: int, undone: bool
    ) -> list[Stored]:
        """
        The newest entries of some kinds in a run that came from no file, in the order stored.

        Parameters
        ----------
        most : int
            So many at the most.
        undone : bool
            Whether what was corrected counts.
        """
        named = ", ".join(f"'{kind}'" for kind in kinds)
        held = "NOT EXISTS (SELECT 1 FROM entries c WHERE c.corrects = e.line)"
        # The sign keeps a database from fetching and sorting the whole run for its last few lines.
        rows = self.connection.exec_driver_sql(
            f"SELECT {', '.join(COLUMNS[:-1])} FROM entries e WHERE +run = {int(run)} "
            f"AND source IS NULL AND kind IN ({named}) AND {'TRUE' if undone else held} "
            f"ORDER BY line DESC LIMIT {int(most)}"
        )
        return [Stored.of(row) for row in rows][::-1]

    def last_stored(self) -> int:
        """When the newest entry was stored, in microseconds since 1970 UTC; 0 without any."""
        query = select(entries.c.stored).order_by(entries.c.line.desc()).limit(1)
        return self.connection.execute(query).scalar_one_or_none() or 0

    def server_started(self) -> int:
        """When the database server was started, in microseconds since 1970 UTC; a file has none."""
        if self.connection.dialect.name == "sqlite":
            return 0
        query = "SELECT (extract(epoch FROM pg_postmaster_start_time()) * 1000000)::bigint"
        return int(self.connection.exec_driver_sql(query).scalar_one())

    def last_part(self, run: int) -> int:
        """Number of the last part known of; 0 before the first."""
        query = select(func.max(entries.c.part)).where(entries.c.run == run)
        return self.connection.execute(query).scalar_one() or 0

    def state(self, run: int, *, before: int | None = None) -> tuple[int, dict[str, Any]] | None:
        """
        The newest state of the adviser that still fits the chain, and the line it stands after.

        Parameters
        ----------
        before : int, optional
            Only states from before that line count.
        """
        query = (
            select(states.c.line, states.c.content, states.c.chain, entries.c.chain)
            .join(entries, (entries.c.line == states.c.line) & (entries.c.run == states.c.run))
            .where(states.c.run == run)
            .order_by(states.c.line.desc())
            .limit(1)
        )
        while True:
            now = query if before is None else query.where(states.c.line < before)
            found = self.connection.execute(now).one_or_none()
            if found is None:
                return None
            line, content, bound, chain = found
            if bytes(bound) == state_chain(bytes(chain), content):
                return line, json.loads(content)
            # One that was changed, or whose line was, is none: the entries are the truth.
            before = line


class Writer(Reader):
    """
    Additions to the ledger inside one transaction.

    Attributes
    ----------
    end : Head or None
        Where the chain ends by what was added; None as long as nothing was. It is made before
        the commit and belongs to these entries alone, so it tells later whether they stand.
    """

    end: Head | None = None

    def plan(self, plan: Plan) -> int:
        """Number of this plan version; stored when it is new."""
        known = self.plan_id(plan)
        if known is not None:
            return known
        content = Path(plan.source).read_bytes()
        number = self._next(plans)
        version = select(func.count()).where(plans.c.part == plan.job.part)
        self.connection.execute(
            plans.insert().values(
                id=number,
                sha256=plan.sha256,
                part=plan.job.part,
                version=self.connection.execute(version).scalar_one() + 1,
                source=plan.source,
                content=content.decode("utf-8-sig"),
            )
        )
        return number

    def begin_run(self, name: str, plan: Plan, learned: Sequence[dict[str, Any]] = ()) -> LedgerRun:
        """
        A new run under a plan.

        Raises
        ------
        SpcError
            When the name is taken.
        """
        if self.run_named(name) is not None:
            raise SpcError(f"the ledger has a run {name!r} already; choose another name")
        run = LedgerRun(self._next(runs), name, self.plan(plan), tuple(learned))
        text = json.dumps(learned)
        self.connection.execute(
            runs.insert().values(id=run.id, name=name, plan=run.plan, learned=text)
        )
        # All that the run is begun with goes into the chain.
        self.append(run.id, [Entry("run", text=name, note=plan.sha256, what=digest(text))])
        return run

    def add_source(self, run: int, source: "Source", *, size: int) -> int:
        """Number of a file that entries of this run come from."""
        number = self._next(sources)
        self.connection.execute(
            sources.insert().values(
                id=number,
                run=run,
                name=storable(source.name),
                sha256=source.sha256,
                lines=source.lines,
                bytes=size,
                base=0,
            )
        )
        return number

    def append(self, run: int, told: Sequence[Entry]) -> int:
        """Add entries to a run; the line of the last one."""
        return self.append_rows(run, [entry.row_values() for entry in told])

    def append_rows(self, run: int, rows: Iterable[tuple[Any, ...]]) -> int:
        """Add many entries, each given as `Entry.row_values`; the line of the last one."""
        end, stored = self.head(), now_us()
        line, chain = end.line, end.chain
        insert = self._insert()
        remaining = iter(rows)
        while chunk := list(islice(remaining, CHUNK)):
            whole = [(number, run, stored, *row) for number, row in enumerate(chunk, line + 1)]
            hashes = list(linked(whole, chain))
            self.connection.exec_driver_sql(
                insert, [(*row, link) for row, link in zip(whole, hashes, strict=True)]
            )
            line, chain = whole[-1][0], hashes[-1]
        self.connection.execute(head.update().values(line=line, chain=chain))
        self.end = Head(line, chain)
        return line

    def _insert(self) -> str:
        mark = "?" if self.connection.dialect.name == "sqlite" else "%s"
        marks = ", ".join([mark] * len(COLUMNS))
        return f"INSERT INTO entries ({', '.join(COLUMNS)}) VALUES ({marks})"

    def keep_state(self, run: int, line: int, state: dict[str, Any]) -> None:
        """Keep what the adviser knows after a line of this run."""
        query = select(entries.c.chain).where(entries.c.line == line, entries.c.run == run)
        chain, content = self.connection.execute(query).scalar_one(), json.dumps(state)
        bound, mine = state_chain(bytes(chain), content), states.c.run == run
        self.connection.execute(states.delete().where(mine, states.c.line >= line))
        self.connection.execute(
            states.insert().values(
                run=run, line=line, chain=bound, program=__version__, content=content
            )
        )
        kept = select(states.c.line).where(mine).order_by(states.c.line.desc())
        oldest = self.connection.execute(kept.offset(STATES_KEPT - 1).limit(1)).scalar_one_or_none()
        if oldest is not None:
            self.connection.execute(states.delete().where(mine, states.c.line < oldest))

    def _next(self, table: Any) -> int:
        query = select(func.coalesce(func.max(table.c.id), 0) + 1)
        return int(self.connection.execute(query).scalar_one())
