"""
The tables of a ledger: one append-only list of entries, and what they refer to.

Times are microseconds since 1970 UTC, lengths µm on diameter, text never NULL. A correction is a
later entry that names the one it takes back or replaces; the views show what holds now.
"""

from typing import Any

from sqlalchemy import (
    REAL,
    BigInteger,
    CheckConstraint,
    Column,
    Connection,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

#: Version of the tables. A store with a higher one is refused, a lower one is migrated.
VERSION = 1
#: Marks an SQLite file as a ledger of this program ("spcl" in ASCII).
APPLICATION_ID = 0x7370636C
#: What an entry may be.
KINDS = ("part", "reading", "event", "answer", "reject", "import", "run", "withdrawn")

_whole = BigInteger().with_variant(Integer, "sqlite")
_real: Any = Double().with_variant(REAL, "sqlite")
metadata = MetaData()


def _table(name: str, *columns: Column[object] | CheckConstraint | UniqueConstraint) -> Table:
    return Table(name, metadata, *columns, sqlite_strict=True)


plans = _table(
    "plans",
    Column("id", _whole, primary_key=True, autoincrement=False),
    Column("sha256", Text, nullable=False, unique=True),
    Column("part", Text, nullable=False),
    Column("version", _whole, nullable=False),
    Column("source", Text, nullable=False),
    Column("content", Text, nullable=False),
)
runs = _table(
    "runs",
    Column("id", _whole, primary_key=True, autoincrement=False),
    Column("name", Text, nullable=False, unique=True),
    Column("plan", _whole, ForeignKey("plans.id"), nullable=False),
    Column("learned", Text, nullable=False),
)
sources = _table(
    "sources",
    Column("id", _whole, primary_key=True, autoincrement=False),
    Column("run", _whole, ForeignKey("runs.id"), nullable=False),
    Column("name", Text, nullable=False),
    Column("sha256", Text, nullable=False),
    Column("bytes", _whole, nullable=False),
    Column("lines", _whole, nullable=False),
    # Of early programs, which numbered the parts of a file by one shift; nothing reads it.
    Column("base", _whole, nullable=False),
    UniqueConstraint("run", "name", "sha256"),
)
entries = _table(
    "entries",
    Column("line", _whole, primary_key=True, autoincrement=False),
    Column("run", _whole, ForeignKey("runs.id"), nullable=False),
    Column("stored", _whole, nullable=False),
    Column("kind", Text, nullable=False),
    Column("part", _whole, nullable=False),
    Column("serial", Text, nullable=False),
    Column("time", _whole),
    Column("what", Text, nullable=False),
    Column("value", _real),
    Column("size", _real),
    Column("decimals", _whole),
    Column("repeat", _whole),
    Column("minutes", _real),
    Column("text", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("source", _whole, ForeignKey("sources.id")),
    Column("row", _whole),
    Column("corrects", _whole, ForeignKey("entries.line")),
    Column("who", Text, nullable=False),
    Column("gauge", Text, nullable=False),
    Column("celsius", _real),
    Column("chain", LargeBinary, nullable=False),
    CheckConstraint("kind IN ({})".format(", ".join(f"'{k}'" for k in KINDS)), name="known_kind"),
    CheckConstraint("kind <> 'reading' OR (value IS NOT NULL AND part > 0)", name="whole_reading"),
    CheckConstraint("(kind = 'withdrawn') <= (corrects IS NOT NULL)", name="withdraws_something"),
    CheckConstraint("corrects IS NULL OR corrects < line", name="corrects_earlier"),
    CheckConstraint("part >= 0", name="part_counts"),
)
Index("entries_by_part", entries.c.run, entries.c.part)
Index("entries_by_time", entries.c.run, entries.c.time)
# Written out, since the keywords of a database make the library load the whole of its dialect.
_CORRECTED_ONCE = (
    "CREATE UNIQUE INDEX corrected_once ON entries (corrects) WHERE corrects IS NOT NULL"
)
#: One row: where the chain ends. It tells of entries taken off the end.
head = _table(
    "head",
    Column("id", _whole, primary_key=True, autoincrement=False),
    Column("version", _whole, nullable=False),
    Column("line", _whole, nullable=False),
    Column("chain", LargeBinary, nullable=False),
)
#: What advisers knew after a line: a memory to start from. Its chain binds it to the line and to
#: its own content; it is worth nothing if one of them differs.
states = _table(
    "states",
    Column("run", _whole, ForeignKey("runs.id"), primary_key=True),
    Column("line", _whole, primary_key=True),
    Column("chain", LargeBinary, nullable=False),
    Column("program", Text, nullable=False),
    Column("content", Text, nullable=False),
)
#: Columns of an entry in the order the chain reads them; `chain` itself stands last.
COLUMNS = tuple(column.name for column in entries.columns)
APPEND_ONLY = ("plans", "runs", "sources", "entries")

_HOLDS = (
    "FROM entries e JOIN runs r ON r.id = e.run LEFT JOIN sources s ON s.id = e.source "
    "WHERE e.kind = '{kind}' AND NOT EXISTS (SELECT 1 FROM entries c WHERE c.corrects = e.line)"
)
VIEWS = {
    "readings": "SELECT e.line, r.name AS run, e.part, e.serial, e.time, e.what AS feature, "
    "e.value AS deviation_um, e.size, e.decimals, e.repeat, s.name AS source, e.row, e.who "
    + _HOLDS.format(kind="reading"),
    "events": "SELECT e.line, r.name AS run, e.part AS after_part, e.time, e.what AS event, "
    "e.value AS amount_um, e.minutes, e.note, s.name AS source, e.row, e.who "
    + _HOLDS.format(kind="event"),
    "answers": "SELECT e.line, r.name AS run, e.part AS after_part, e.time, e.what AS advised, "
    "e.value AS amount_um, e.text AS answer, e.note, e.who " + _HOLDS.format(kind="answer"),
}
_SQLITE_GUARDS = """
CREATE TRIGGER {table}_unchanged BEFORE UPDATE ON {table}
BEGIN SELECT RAISE(ABORT, '{words}'); END;
CREATE TRIGGER {table}_kept BEFORE DELETE ON {table}
BEGIN SELECT RAISE(ABORT, '{words}'); END;
CREATE TRIGGER {table}_not_replaced BEFORE INSERT ON {table}
WHEN EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key})
BEGIN SELECT RAISE(ABORT, '{words}'); END;
"""
_POSTGRES_GUARD = """
CREATE FUNCTION spc_append_only() RETURNS trigger LANGUAGE plpgsql AS
$$ BEGIN RAISE EXCEPTION '{words}'; END $$
"""
_WORDS = "a ledger is only added to: correct by a later entry"


def postgres_guard() -> str:
    """The function that refuses change on a PostgreSQL server."""
    return _POSTGRES_GUARD.format(words=_WORDS)


def create(connection: Connection) -> None:
    """Make every table, view and guard in an empty database."""
    metadata.create_all(connection)
    connection.exec_driver_sql(_CORRECTED_ONCE)
    for name, query in VIEWS.items():
        connection.exec_driver_sql(f"CREATE VIEW {name} AS {query}")
    if connection.dialect.name == "sqlite":
        for table in APPEND_ONLY:
            key = "line" if table == "entries" else "id"
            for guard in _SQLITE_GUARDS.format(table=table, key=key, words=_WORDS).split("END;")[
                :3
            ]:
                connection.exec_driver_sql(f"{guard}END;")
        connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.exec_driver_sql(f"PRAGMA user_version = {VERSION}")
    else:
        connection.exec_driver_sql(postgres_guard())
        for table in APPEND_ONLY:
            connection.exec_driver_sql(
                f"CREATE TRIGGER {table}_unchanged BEFORE UPDATE OR DELETE ON {table} "
                "FOR EACH ROW EXECUTE FUNCTION spc_append_only()"
            )
            connection.exec_driver_sql(
                f"CREATE TRIGGER {table}_kept BEFORE TRUNCATE ON {table} "
                "FOR EACH STATEMENT EXECUTE FUNCTION spc_append_only()"
            )
    connection.execute(head.insert().values(id=1, version=VERSION, line=0, chain=bytes(32)))
