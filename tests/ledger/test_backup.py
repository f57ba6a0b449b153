import sqlite3
import threading
from pathlib import Path

import pytest

from spc.errors import SpcError
from spc.ledger.backup import backup, restore
from spc.ledger.entry import Entry
from spc.ledger.store import Ledger
from spc.ledger.verify import verify


@pytest.fixture
def filled(ledger, plan, readings):
    with ledger.writing() as writer:
        run = writer.begin_run("first", plan)
        writer.append(run.id, readings(50))
    return ledger


def test_a_backup_is_the_ledger_and_goes_back_where_there_is_none(filled, tmp_path):
    verdict = backup(filled.place, tmp_path / "kept.db")
    assert verdict == verify(filled)

    again, moved = restore(tmp_path / "kept.db", str(tmp_path / "new.db"))

    assert again == verdict
    assert moved == ""
    with Ledger(tmp_path / "new.db") as restored:
        with restored.writing() as writer:
            writer.append(1, [Entry("part", 60)])
        assert verify(restored).faults == ()


def test_a_backup_while_others_write_is_whole(filled, tmp_path, readings):
    stop = threading.Event()

    def write():
        part = 51
        with Ledger(filled.place) as other:
            while not stop.is_set():
                with other.writing() as writer:
                    writer.append(1, readings(20, first=part))
                part += 20

    writer = threading.Thread(target=write)
    writer.start()
    try:
        verdicts = [backup(filled.place, tmp_path / f"{n}.db") for n in range(5)]
    finally:
        stop.set()
        writer.join()

    assert all(v.faults == () and (v.lines - 51) % 20 == 0 for v in verdicts)
    assert verify(filled).faults == ()


def test_nothing_is_overwritten(filled, tmp_path):
    (tmp_path / "kept.db").write_text("mine")
    with pytest.raises(SpcError, match="never overwrites"):
        backup(filled.place, tmp_path / "kept.db")
    assert (tmp_path / "kept.db").read_text() == "mine"
    with pytest.raises(SpcError, match="no such folder"):
        backup(filled.place, tmp_path / "none" / "kept.db")
    backup(filled.place, tmp_path / "good.db")
    with pytest.raises(SpcError, match="--aside"):
        restore(tmp_path / "good.db", filled.place)


def test_a_damaged_ledger_is_moved_aside_and_kept(filled, tmp_path):
    backup(filled.place, tmp_path / "good.db")
    filled.close()
    (tmp_path / "spc.db").write_bytes(b"SQLite format 3\0" + b"\xff" * 5000)

    verdict, moved = restore(tmp_path / "good.db", str(tmp_path / "spc.db"), aside=True)

    assert verdict.lines == 51
    assert Path(moved).read_bytes()[20:30] == b"\xff" * 10


def test_a_backup_that_was_changed_is_not_restored(filled, tmp_path):
    backup(filled.place, tmp_path / "kept.db")
    bare = sqlite3.connect(tmp_path / "kept.db")
    bare.execute("DROP TRIGGER entries_unchanged")
    bare.execute("UPDATE entries SET value = 1 WHERE line = 9").connection.commit()
    bare.close()

    with pytest.raises(SpcError, match="line 9 was changed"):
        restore(tmp_path / "kept.db", str(tmp_path / "new.db"))
    assert not (tmp_path / "new.db").exists()
