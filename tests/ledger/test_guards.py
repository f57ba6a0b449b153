"""What guards a ledger, and what hangs on its chain: an edit of any of it is named by `verify`."""

import hashlib
import json
import sqlite3

import psycopg
import pytest

from spc.errors import SpcError
from spc.ledger import tables
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import run_for
from spc.live.session import Session
from spc.plan import load_plan

LEARNED = [{"part": "Lock pin", "drift_um": 0.125}]


def fill(ledger, plan, readings):
    with ledger.writing() as writer:
        run = writer.begin_run("first", plan, LEARNED)
        line = writer.append(run.id, readings(30))
        writer.keep_state(run.id, line, {"made": 30})
    return ledger


@pytest.fixture
def filled(ledger, plan, readings):
    return fill(ledger, plan, readings)


def edited(place, *statements):
    """The faults after statements typed with the guards out of the way for a while."""
    bare = sqlite3.connect(place)
    guards = bare.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in guards:
        bare.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        bare.execute(statement)
    for _, sql in guards:
        bare.execute(sql)
    bare.commit()
    bare.close()
    with Ledger(place, create=False) as store:
        return verify(store).faults


@pytest.mark.parametrize(
    ("statement", "named"),
    [
        ("UPDATE runs SET learned = '[]'", "run 1: what its adviser had learned"),
        ("UPDATE plans SET part = 'Other pin'", "plan 1: stands as version 1 of 'Other pin'"),
        ("UPDATE plans SET version = 7", "plan 1: stands as version 7 of 'Lock pin'"),
        ("UPDATE states SET content = replace(content, '30', '4')", "after line 31 was changed"),
        ("DROP TRIGGER runs_kept", "the trigger runs_kept is missing"),
        ("DROP INDEX corrected_once", "the index corrected_once is missing"),
        ("DROP VIEW events", "the view events is missing"),
    ],
)
def test_an_edit_of_what_hangs_on_the_chain_is_the_only_fault(filled, statement, named):
    filled.close()
    if statement.startswith("DROP TRIGGER"):
        sqlite3.connect(filled.place).execute(statement).connection.commit()
        with Ledger(filled.place, create=False) as store:
            faults = verify(store).faults
    else:
        faults = edited(filled.place, statement)

    assert len(faults) == 1, faults
    assert named in faults[0]


def test_a_view_or_trigger_that_says_something_else_is_named(filled):
    filled.close()
    changed = tables.VIEWS["readings"].replace("e.value AS", "e.value + 1 AS")
    faults = edited(
        filled.place,
        "DROP VIEW readings",
        f"CREATE VIEW readings AS {changed}",
        "CREATE TRIGGER mine AFTER INSERT ON entries BEGIN DELETE FROM states; END",
        "CREATE VIEW my_own AS SELECT count(*) FROM entries",
    )

    assert set(faults) == {
        "the view readings was changed", "the trigger mine is none of this program's",
    }  # fmt: skip


def test_a_version_changed_behind_its_back_is_refused_and_named(filled):
    filled.close()
    for version in (9, 0):
        sqlite3.connect(filled.place).execute(
            f"UPDATE head SET version = {version}"
        ).connection.commit()
        for create in (True, False):
            with pytest.raises(SpcError, match=f"head says version {version}.*behind"):
                Ledger(filled.place, create=create)


def test_runs_begun_before_their_learning_was_bound_are_no_fault(filled):
    filled.close()
    bare = sqlite3.connect(filled.place)
    # As an earlier program wrote the entry of a run: without the hash of what was learned.
    bare.execute("DROP TRIGGER entries_unchanged")
    rows = bare.execute("SELECT * FROM entries ORDER BY line").fetchall()
    before = bytes(32)
    for row in rows:
        fields = [*row[:-1]]
        if fields[3] == "run":
            fields[7] = ""
        text = "\n".join(json.dumps(field) for field in fields)
        before = hashlib.sha256(before + text.encode()).digest()
        bare.execute("UPDATE entries SET what = ?, chain = ? WHERE line = ?",
                     (fields[7], before, fields[0]))  # fmt: skip
    bare.execute("UPDATE head SET chain = ?", (before,))
    # Nor was a state bound to more than its line.
    bare.execute("UPDATE states SET chain = ?", (before,))
    bare.commit()

    with Ledger(filled.place, create=False) as store:
        assert verify(store).faults == ("the trigger entries_unchanged is missing",)
        with store.reading() as reader:
            assert reader.state(1) is None


def test_a_state_that_was_changed_places_no_reading(ledger, plan):
    session = Session(ledger, plan, run_for(ledger, plan))
    for _ in range(10):
        session.enter("25.001", sure=True)
    assert session.progress.made == 10
    ledger.close()

    faults = edited(
        ledger.place,
        """UPDATE states SET content = replace(content, '"made": 10', '"made": 4')
        WHERE line = (SELECT max(line) FROM states)""",
    )
    with Ledger(ledger.place) as store:
        again = Session(store, plan, run_for(store, plan))
        (entry,) = again.enter("25.0055", sure=True).stored

    assert entry.part == 11
    assert len(faults) == 1
    assert "what the adviser kept after line" in faults[0]


def test_two_versions_of_a_plan_have_their_numbers_by_their_place(ledger, plan, tmp_path):
    text = (tmp_path / "pin.toml").read_text()
    for number, limit in enumerate(("0.010", "0.012", "0.014")):
        changed = tmp_path / f"pin{number}.toml"
        changed.write_text(text.replace("0.010", limit))
        with ledger.writing() as writer:
            writer.begin_run(f"run {number}", load_plan(changed))

    assert verify(ledger).faults == ()
    assert "plan 2" in edited(ledger.place, "UPDATE plans SET version = 1 WHERE id = 2")[0]


# --- on a server --------------------------------------------------------------------------------


@pytest.fixture
def served(place, plan, readings):
    with Ledger(place) as ledger:
        fill(ledger, plan, readings)
    return place


@pytest.mark.parametrize(
    ("statements", "named"),
    [
        (["ALTER TABLE runs DISABLE TRIGGER USER", "UPDATE runs SET learned = '[]'",
          "ALTER TABLE runs ENABLE TRIGGER USER"], "run 1: what its adviser had learned"),
        (["ALTER TABLE plans DISABLE TRIGGER USER", "UPDATE plans SET version = 3",
          "ALTER TABLE plans ENABLE TRIGGER USER"], "plan 1: stands as version 3"),
        (["UPDATE states SET content = replace(content, '30', '4')"], "line 31 was changed"),
        (["DROP TRIGGER runs_kept ON runs"], "the trigger runs_kept is missing"),
        (["ALTER TABLE sources DISABLE TRIGGER sources_kept"], "sources_kept was changed or put"),
        (["DROP INDEX corrected_once"], "the index corrected_once is missing"),
        (["DROP INDEX corrected_once", "CREATE INDEX corrected_once ON entries (corrects)"],
         "the index corrected_once was changed"),
        (["DROP VIEW answers"], "the view answers is missing"),
        (["CREATE OR REPLACE VIEW readings AS " + tables.VIEWS["readings"] + " AND e.part <> 7"],
         "the view readings was changed"),
    ],
)  # fmt: skip
def test_an_edit_on_a_server_is_the_only_fault(served, statements, named):
    with Ledger(served, create=False) as ledger:
        assert verify(ledger).faults == ()
    with psycopg.connect(served) as bare:
        for statement in statements:
            bare.execute(statement)
    with Ledger(served, create=False) as ledger:
        faults = verify(ledger).faults

    assert len(faults) == 1, faults
    assert named in faults[0]


def test_guards_whose_function_does_nothing_are_named(served):
    with psycopg.connect(served) as bare:
        bare.execute("CREATE OR REPLACE FUNCTION spc_append_only() RETURNS trigger LANGUAGE "
                     "plpgsql AS $$ BEGIN RETURN NEW; END $$")  # fmt: skip
    with Ledger(served, create=False) as ledger:
        faults = verify(ledger).faults

    assert len(faults) == 2 * len(tables.APPEND_ONLY)
    assert all("put out of action" in fault for fault in faults)
