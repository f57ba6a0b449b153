import hashlib
import json
import math
import sqlite3

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.exc import IntegrityError

from spc.errors import SpcError, StoreBusy
from spc.ledger import chain, opening, refusal, tables
from spc.ledger.entry import Entry, number
from spc.ledger.store import Ledger
from spc.ledger.verify import verify


@pytest.fixture
def filled(ledger, plan, readings):
    with ledger.writing() as writer:
        run = writer.begin_run("first", plan)
        writer.append(run.id, readings(50))
    return ledger


def test_what_is_stored_is_read_back_in_order(filled, readings):
    with filled.reading() as reader:
        run = reader.run_named("first")
        stored = reader.entries(run.id)

    assert [entry.line for entry in stored] == list(range(1, 52))
    assert stored[0].kind == "run"
    assert [e.row_values() for e in stored[1:]] == [e.row_values() for e in readings(50)]


def test_the_chain_is_sha_256_over_the_hash_before_and_the_fields_as_json(filled):
    # The rule written out a second time, with the standard library alone.
    rows = sqlite3.connect(filled.place).execute("SELECT * FROM entries ORDER BY line").fetchall()
    before = bytes(32)
    for *fields, stored in rows:
        text = "\n".join(json.dumps(field) for field in fields)
        before = hashlib.sha256(before + text.encode()).digest()
        assert stored == before
    with filled.reading() as reader:
        assert reader.head().chain == before


@given(st.lists(st.tuples(st.text(), st.none() | st.floats(allow_nan=False, allow_infinity=False),
                          st.integers(-(2**63), 2**63 - 1)), max_size=5))  # fmt: skip
def test_rows_are_told_apart_whatever_text_they_hold(rows):
    parts = chain.texts(rows)

    assert len(parts) == len(rows)
    assert [tuple(json.loads(f) for f in part.split("\n")) for part in parts] == rows


def test_tables_refuse_change_removal_and_replacement(filled):
    bare = sqlite3.connect(filled.place)
    for statement in (
        "UPDATE entries SET value = 1 WHERE line = 5",
        "DELETE FROM entries WHERE line = 5",
        "INSERT OR REPLACE INTO entries SELECT * FROM entries WHERE line = 5",
        "UPDATE plans SET content = ''",
        "DELETE FROM runs",
    ):
        with pytest.raises(sqlite3.IntegrityError, match="only added to"):
            bare.execute(statement)


def test_a_reading_without_a_value_is_refused_and_leaves_nothing(filled):
    good, bad = (Entry("reading", 51, what="seat", value=v) for v in (3.0, math.nan))

    with pytest.raises(IntegrityError, match="whole_reading"), filled.writing() as writer:
        writer.append(1, [good, bad])

    assert verify(filled).lines == 51
    assert verify(filled).faults == ()


def test_a_line_is_corrected_once_and_views_show_what_holds(filled):
    with filled.writing() as writer:
        writer.append(1, [Entry("withdrawn", 3, corrects=4, note="dirt", who="operator")])
        writer.append(1, [Entry("reading", 5, "5", what="seat", value=9.0, corrects=6)])
    bare = sqlite3.connect(filled.place)

    shown = dict(bare.execute("SELECT part, deviation_um FROM readings").fetchall())

    assert 3 not in shown
    assert shown[5] == 9.0
    assert len(shown) == 49
    with pytest.raises(IntegrityError, match="UNIQUE"), filled.writing() as writer:
        writer.append(1, [Entry("withdrawn", 3, corrects=4, note="again")])


@pytest.mark.parametrize("value", [-0.0, 3, 1e300, 5e-324, 0.1 + 0.2])
def test_numbers_come_back_as_the_chain_saw_them(filled, value):
    with filled.writing() as writer:
        writer.append(1, [Entry("event", 1, what="offset", value=value)])
    with filled.reading() as reader:
        (entry,) = reader.entries(1, after=51)

    assert repr(entry.value) == repr(number(value))
    assert verify(filled).faults == ()


def test_text_no_database_keeps_is_stored_with_a_mark_in_its_place(filled):
    odd = "../../etc\0\ud800 Ø '; DROP TABLE entries; --"
    with filled.writing() as writer:
        writer.append(1, [Entry("reading", 60, odd, what="seat", value=1.0)])
    with filled.reading() as reader:
        (entry,) = reader.entries(1, after=51)

    assert entry.serial == odd.replace("\0", "\ufffd").replace("\ud800", "\ufffd")
    assert verify(filled).faults == ()


def test_a_plan_version_is_stored_once_and_runs_keep_theirs(ledger, plan, tmp_path):
    from spc.plan import load_plan

    changed = tmp_path / "pin2.toml"
    changed.write_text((tmp_path / "pin.toml").read_text().replace("0.010", "0.012"))
    with ledger.writing() as writer:
        first = writer.begin_run("a", plan)
        second = writer.begin_run("b", load_plan(changed))
        third = writer.begin_run("c", plan)
        with pytest.raises(SpcError, match="choose another name"):
            writer.begin_run("a", plan)
        assert writer.plan_of(second).features[0].upper_um == 12.0
        assert writer.newest_run(plan) == third

    assert (first.plan, second.plan, third.plan) == (1, 2, 1)


def test_states_are_kept_only_while_the_chain_fits(filled):
    with filled.writing() as writer:
        for line in range(2, 51):
            writer.keep_state(1, line, {"line": line})
        assert writer.state(1) == (50, {"line": 50})
        assert writer.state(1, before=20) == (19, {"line": 19})
        assert writer.state(1, before=11) is None
    bare = sqlite3.connect(filled.place)
    bare.execute("UPDATE states SET chain = x'00' WHERE line > 40")
    bare.commit()
    with filled.reading() as reader:
        assert reader.state(1) == (40, {"line": 40})


def test_a_newer_ledger_is_refused_with_both_versions(filled):
    bare = sqlite3.connect(filled.place)
    bare.execute("UPDATE head SET version = 9")
    bare.execute("PRAGMA user_version = 9").connection.commit()

    with pytest.raises(SpcError, match=r"version 9.*up to 1"):
        Ledger(filled.place)


def test_an_older_ledger_is_migrated_after_a_backup(filled, monkeypatch, tmp_path):
    def second(connection):
        connection.exec_driver_sql("CREATE TABLE shelf (id INTEGER) STRICT")

    filled.close()
    monkeypatch.setattr(tables, "VERSION", 2)
    monkeypatch.setattr(opening, "MIGRATIONS", {2: second})

    with Ledger(filled.place) as migrated:
        assert verify(migrated).faults == ()
    bare = sqlite3.connect(filled.place)
    assert bare.execute("PRAGMA user_version").fetchone() == (2,)
    assert bare.execute("SELECT count(*) FROM shelf").fetchone() == (0,)
    (backup,) = tmp_path.glob("spc.db.v1.*.backup")
    assert sqlite3.connect(backup).execute("PRAGMA user_version").fetchone() == (1,)


def test_another_database_or_file_is_left_alone(tmp_path):
    other = tmp_path / "other.db"
    sqlite3.connect(other).execute("CREATE TABLE t (a)").connection.commit()
    before = other.read_bytes()
    with pytest.raises(SpcError, match="no ledger of this program"):
        Ledger(other)
    assert other.read_bytes() == before

    (tmp_path / "text.db").write_text("part,seat\n1,25.0\n" * 100)
    with pytest.raises(SpcError, match="not a database"):
        Ledger(tmp_path / "text.db")
    with pytest.raises(SpcError, match="no such folder"):
        Ledger(tmp_path / "none" / "spc.db")
    with pytest.raises(SpcError, match="there is no ledger"):
        Ledger(tmp_path / "none.db", create=False)
    with pytest.raises(SpcError, match="SQLite file or a postgresql"):
        Ledger("mysql://host/db")


def test_a_busy_ledger_says_so_in_one_line(filled, monkeypatch):
    monkeypatch.setattr(refusal, "PATIENCE", 0.05)
    holder = sqlite3.connect(filled.place, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")

    second = Ledger(filled.place)
    with pytest.raises(StoreBusy, match="busy for") as caught, second.writing() as writer:
        writer.append(1, [Entry("part", 60)])
    second.close()

    assert caught.value.exit_status == 4
    holder.execute("ROLLBACK")
