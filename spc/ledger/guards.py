"""Whether the triggers, views and indexes of a ledger are those it was made with."""

from collections.abc import Iterator
from functools import lru_cache

from sqlalchemy import Connection, create_engine

from spc.ledger import tables

#: The order-free sum of a whole row's hash: two queries that show the same rows have the same.
_ROWS = "SELECT count(*), sum(hashtextextended(shown::text, 0)::numeric) FROM ({query}) shown"


def faults(connection: Connection) -> Iterator[str]:
    """What is missing, was changed, or was put beside what guards a ledger, in words."""
    look = _in_sqlite if connection.dialect.name == "sqlite" else _in_postgres
    yield from look(connection)


_SQLITE = "SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL AND type <> 'table'"


@lru_cache(maxsize=1)
def _as_made() -> dict[tuple[str, str], str]:
    engine = create_engine("sqlite://")
    try:
        with engine.begin() as connection:
            tables.create(connection)
            return _written(connection)
    finally:
        engine.dispose()


def _written(connection: Connection) -> dict[tuple[str, str], str]:
    rows = connection.exec_driver_sql(_SQLITE)
    return {(kind, name): " ".join(sql.split()) for kind, name, sql in rows}


def _in_sqlite(connection: Connection) -> Iterator[str]:
    there, made = _written(connection), _as_made()
    for (kind, name), sql in made.items():
        if (kind, name) not in there:
            yield f"the {kind} {name} is missing"
        elif there[kind, name] != sql:
            yield f"the {kind} {name} was changed"
    # An index or a view of somebody's own only reads; a trigger may change what is stored.
    for kind, name in there.keys() - made.keys():
        if kind == "trigger":
            yield f"the trigger {name} is none of this program's"


_TRIGGERS = """
SELECT c.relname, t.tgname, t.tgtype, t.tgenabled, p.proname, p.prosrc FROM pg_trigger t
JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid
WHERE NOT t.tgisinternal
AND c.relnamespace = (SELECT relnamespace FROM pg_class WHERE oid = to_regclass('entries'))
"""
_INDEX = """
SELECT i.indisunique AND i.indisvalid, pg_get_indexdef(i.indexrelid, 1, true),
pg_get_expr(i.indpred, i.indrelid, true) FROM pg_index i
WHERE i.indexrelid = to_regclass('corrected_once') AND i.indrelid = to_regclass('entries')
"""
#: Bits of `tgtype`: for each row, before, on update and delete; before, on truncate. [PostgreSQL
#: 15, src/include/catalog/pg_trigger.h]
_ROW_BEFORE_CHANGE, _BEFORE_TRUNCATE = 1 | 2 | 8 | 16, 2 | 32


def _in_postgres(connection: Connection) -> Iterator[str]:
    ask = connection.exec_driver_sql
    body = tables.postgres_guard().split("$$")[1]
    made = {
        (table, f"{table}_{name}"): (kind, "O", "spc_append_only", body)
        for table in tables.APPEND_ONLY
        for name, kind in (("unchanged", _ROW_BEFORE_CHANGE), ("kept", _BEFORE_TRUNCATE))
    }
    there = {(table, name): tuple(rest) for table, name, *rest in ask(_TRIGGERS)}
    for (table, name), as_made in made.items():
        if (table, name) not in there:
            yield f"the trigger {name} is missing"
        elif there[table, name] != as_made:
            yield f"the trigger {name} was changed or put out of action"
    for table, name in there.keys() - made.keys():
        if table in tables.metadata.tables:
            yield f"the trigger {name} is none of this program's"
    found = ask(_INDEX).one_or_none()
    if found is None:
        yield "the index corrected_once is missing"
    elif (found[0], found[1], str(found[2]).strip("()")) != (True, "corrects", _ONLY_CORRECTING):
        yield "the index corrected_once was changed"
    for name, query in tables.VIEWS.items():
        if ask(f"SELECT to_regclass('{name}')").scalar_one() is None:
            yield f"the view {name} is missing"
        # The server keeps its own wording of a view, so what it shows is compared.
        elif (
            ask(_ROWS.format(query=f"SELECT * FROM {name}")).one()
            != ask(_ROWS.format(query=query)).one()
        ):
            yield f"the view {name} was changed: it does not show what holds"


_ONLY_CORRECTING = "corrects IS NOT NULL"
