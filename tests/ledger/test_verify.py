"""Damage of every kind is named."""

import sqlite3

import pytest
from sqlalchemy.exc import IntegrityError

from spc.errors import SpcError
from spc.ledger.entry import Entry
from spc.ledger.store import Ledger
from spc.ledger.verify import verify


@pytest.fixture
def damaged(tmp_path, ledger, plan, readings):
    """Write 300 readings, then change the file behind the ledger's back; the verdict."""
    with ledger.writing() as writer:
        run = writer.begin_run("first", plan)
        line = writer.append(run.id, readings(300))
        writer.keep_state(run.id, line, {"made": 300})
    ledger.close()

    def damage(*statements):
        bare = sqlite3.connect(ledger.place)
        guards = bare.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        for name, _ in guards.fetchall():
            bare.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            bare.execute(statement)
        bare.commit()
        bare.close()
        with Ledger(ledger.place) as store:
            return verify(store)

    return damage


def test_an_untouched_ledger_has_no_fault_and_knows_its_heads(ledger, plan, readings):
    with ledger.writing() as writer:
        run = writer.begin_run("first", plan)
        writer.append(run.id, readings(5))
        printed = writer.head().chain.hex()
        writer.append(run.id, readings(5, first=6))

    verdict = verify(ledger, head=printed[:32])

    assert (verdict.lines, verdict.faults, verdict.known_at) == (11, (), 6)
    assert verify(ledger, head="0" * 32).known_at is None
    with pytest.raises(SpcError, match="too short"):
        verify(ledger, head="ab")


def test_a_row_that_breaks_a_condition_is_named_and_writing_keeps_them(damaged, ledger):
    faults = damaged(
        "PRAGMA ignore_check_constraints = ON", "UPDATE entries SET part = -4 WHERE line = 77"
    ).faults

    assert any("line 77 was changed" in fault for fault in faults)
    with Ledger(ledger.place) as store:
        verify(store)
        with pytest.raises(IntegrityError, match="part_counts"), store.writing() as writer:
            writer.append(1, [Entry("part", -1)])


@pytest.mark.parametrize(
    ("statement", "named"),
    [
        ("UPDATE entries SET value = value + 1 WHERE line = 77", ["line 77 was changed"]),
        ("UPDATE entries SET serial = serial || ' ' WHERE line = 2", ["line 2 was changed"]),
        ("DELETE FROM entries WHERE line = 77", ["line 77 is missing"]),
        ("DELETE FROM entries WHERE line BETWEEN 5 AND 9", ["lines 5 to 9 are missing"]),
        ("DELETE FROM entries WHERE line > 290", ["lines 291 to 301 are missing"]),
        ("UPDATE plans SET content = content || '#'", ["plan 1: its text"]),
        ("UPDATE runs SET name = 'other'", ["run 1: its name"]),
        ("DELETE FROM runs", ["entries row", "refers to a row of runs"]),
    ],
)
def test_an_edit_behind_its_back_is_named_by_line(damaged, statement, named):
    faults = damaged(statement).faults

    assert faults
    for words in named:
        assert any(words in fault for fault in faults), faults


def test_rows_that_changed_places_are_both_named(damaged):
    faults = damaged(
        "UPDATE entries SET line = 9999 WHERE line = 20",
        "UPDATE entries SET line = 20 WHERE line = 30",
        "UPDATE entries SET line = 30 WHERE line = 9999",
    ).faults

    assert any("line 20 was changed" in fault for fault in faults)
    assert any("line 30 was changed" in fault for fault in faults)


def test_an_end_cut_off_with_its_head_is_known_by_what_the_adviser_saw(damaged):
    faults = damaged(
        "DELETE FROM entries WHERE line > 290",
        "UPDATE head SET line = 290, chain = (SELECT chain FROM entries WHERE line = 290)",
    ).faults

    assert any("line 301 is not what the adviser saw" in fault for fault in faults)


def test_a_damaged_page_is_named(damaged, ledger):
    damaged()
    with open(ledger.place, "r+b") as file:
        file.seek(4096 * 8)
        file.write(b"\xff" * 2000)

    with Ledger(ledger.place) as store:
        assert verify(store).faults
