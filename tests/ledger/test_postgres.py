"""The same ledger on a real PostgreSQL server, started in a folder of its own."""

import threading

import psycopg
import pytest

from spc.errors import SpcError, StoreBusy
from spc.ledger import opening, refusal
from spc.ledger.as_run import run_of
from spc.ledger.backup import backup, restore
from spc.ledger.entry import Entry
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import run_for
from spc.live.files import take_in
from spc.live.hand_out import hand_out
from spc.live.session import Session


@pytest.fixture
def ledger(place):
    with Ledger(place) as store:
        yield store


@pytest.fixture
def filled(ledger, plan, readings):
    with ledger.writing() as writer:
        run = writer.begin_run("first", plan)
        writer.append(run.id, readings(300))
    return ledger


def test_what_is_stored_is_read_back_and_verifies(filled, readings):
    with filled.reading() as reader:
        stored = reader.entries(reader.run_named("first").id)

    assert [e.row_values() for e in stored[1:]] == [e.row_values() for e in readings(300)]
    assert verify(filled).faults == ()
    assert verify(filled).lines == 301


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET value = 1 WHERE line = 5",
        "DELETE FROM entries WHERE line = 5",
        "TRUNCATE entries CASCADE",
        "DELETE FROM plans",
    ],
)
def test_tables_refuse_change_and_removal(filled, place, statement):
    with (
        psycopg.connect(place) as connection,
        pytest.raises(psycopg.errors.RaiseException, match="only add"),
    ):
        connection.execute(statement)


def test_edits_behind_its_back_are_named(filled, place):
    with psycopg.connect(place) as connection:
        connection.execute("ALTER TABLE entries DISABLE TRIGGER USER")
        connection.execute("UPDATE entries SET value = value + 1 WHERE line = 77")
        connection.execute("DELETE FROM entries WHERE line = 99")
    faults = verify(filled).faults

    assert any("line 77 was changed" in fault for fault in faults)
    assert "line 99 is missing" in faults


def test_the_prompt_goes_on_and_takes_back_like_anywhere(ledger, plan):
    run = run_for(ledger, plan)
    session = Session(ledger, plan, run)
    for text in ("25.001", "25.002", "dress", "-1", "undo", "25.003"):
        session.enter(text, sure=True)
    again = Session(ledger, plan, run)

    assert again.progress.content() == session.progress.content()
    with ledger.reading() as reader:
        read = run_of(reader, run)
    assert read.measurements["deviation_um"].tolist() == [1.0, 2.0, 3.0]
    assert verify(ledger).faults == ()


def test_files_are_imported_once(ledger, plan, tmp_path):
    run = run_for(ledger, plan)
    (tmp_path / "a.csv").write_text("part,time,seat\n1,2026-11-25 06:00,25.001\n2,,nan\n")
    for _ in range(2):
        list(take_in(ledger, run, plan, [str(tmp_path / "a.csv")]))

    with ledger.reading() as reader:
        read = run_of(reader, run)
    assert len(read.measurements) == len(read.rejects) == 1
    assert verify(ledger).faults == ()
    assert len(hand_out(ledger, tmp_path / "out")) == 8


def test_a_backup_becomes_a_file_and_goes_back_to_a_server(filled, place, tmp_path, server):
    kept = backup(place, tmp_path / "kept.db")
    assert kept == verify(filled)
    with pytest.raises(SpcError, match="empty database"):
        restore(tmp_path / "kept.db", place)
    server.admin("CREATE DATABASE another")

    restored, _ = restore(tmp_path / "kept.db", server.url("another"))

    assert restored == kept


def test_a_server_that_does_not_answer_is_named(tmp_path):
    with pytest.raises(StoreBusy, match="does not answer"):
        Ledger(f"postgresql://spc@/none?host={tmp_path}")


def test_a_writer_who_is_kept_waiting_gives_up_in_one_line(filled, place, monkeypatch):
    monkeypatch.setattr(refusal, "PATIENCE", 1)
    with psycopg.connect(place) as bare:
        bare.execute(f"SELECT pg_advisory_xact_lock({opening.LOCK_KEY})")
        with pytest.raises(StoreBusy, match="busy for 1 s"), filled.writing() as writer:
            writer.append(1, [Entry("part", 301)])

    assert verify(filled).lines == 301


def test_eight_writers_lose_and_double_nothing(place, plan):
    with Ledger(place) as ledger:
        run = run_for(ledger, plan)
    failed = []

    def write(who):
        try:
            with Ledger(place) as mine:
                for count in range(25):
                    told = [Entry("reading", 1 + count, what="seat", value=1.0, text=f"{who}")]
                    with mine.writing() as writer:
                        writer.append(run.id, told)
        except Exception as error:
            failed.append(error)

    writers = [threading.Thread(target=write, args=(who,)) for who in range(8)]
    for writer in writers:
        writer.start()
    with Ledger(place) as ledger:
        while any(writer.is_alive() for writer in writers):
            # A reader sees one moment, whatever is added meanwhile.
            assert verify(ledger).faults == ()
    for writer in writers:
        writer.join()

    assert failed == []
    with Ledger(place) as ledger, ledger.reading() as reader:
        stored = [(e.text, e.part) for e in reader.entries(run.id) if e.kind == "reading"]
        assert sorted(stored) == sorted((str(w), c) for w in range(8) for c in range(1, 26))
    with Ledger(place) as ledger:
        assert verify(ledger).faults == ()
