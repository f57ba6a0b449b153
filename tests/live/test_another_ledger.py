"""A backup put in the place of a ledger that is open: nothing confirmed stands elsewhere."""

import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from threading import Event

import pytest

from spc.errors import SpcError
from spc.ledger.backup import backup, restore
from spc.ledger.entry import Entry
from spc.ledger.refusal import LedgerReplaced
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import run_for
from spc.live.drop_folder import DropFolder
from spc.live.session import Session
from spc.live.standing import RunGone

RUN = "import sys; from spc.cli.app import main; sys.argv[0] = 'spc'; main()"


def texts(place):
    with Ledger(place, create=False) as ledger, ledger.reading() as reader:
        return [e.text for e in reader.entries(1) if e.kind == "reading"]


@pytest.fixture
def place(job, tmp_path):
    """A ledger with two readings, and a backup of it."""
    plan = job()
    place = str(tmp_path / "spc.db")
    with Ledger(place) as ledger:
        session = Session(ledger, plan, run_for(ledger, plan, name="one"))
        for text in ("25.001", "25.002"):
            session.enter(text, sure=True)
    backup(place, tmp_path / "kept.db")
    return place


class Log:
    """`spc log` in a process of its own, fed line by line."""

    def __init__(self, plan, *words):
        self.program = subprocess.Popen(
            [sys.executable, "-u", "-c", RUN, "log", "--plan", plan, *words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip

    def type(self, text, until):
        """Type a line; what is said up to the words that end it."""
        self.program.stdin.write(f"{text}\n")
        self.program.stdin.flush()
        heard = []
        for line in self.program.stdout:
            heard.append(line)
            if until in line:
                return "".join(heard)
        raise AssertionError(f"{text}: {until!r} was not said but {heard}")

    def end(self):
        said, _ = self.program.communicate(timeout=60)
        return self.program.returncode, said


def test_an_open_log_goes_on_in_the_backup_that_was_put_back(place, job, tmp_path):
    log = Log(job().source)
    try:
        log.type("25.0001", "stored\tpart")
        _, aside = restore(tmp_path / "kept.db", place, aside=True)
        refused = log.type("25.0003", "line 2")
        said = log.type("25.0002", "stored\tpart")
        status, _ = log.end()
    finally:
        log.program.kill()

    assert "another ledger was put in the place of the one that was open" in refused
    assert "next is seat of part" in refused
    assert "25.0002" in said
    assert status == 4
    assert texts(place) == ["25.001", "25.002", "25.0002"]
    assert texts(aside) == ["25.001", "25.002", "25.0001"]
    for ledger in (place, aside):
        with Ledger(ledger, create=False) as there:
            assert verify(there).faults == ()


def test_an_open_log_whose_run_is_not_in_the_backup_ends(place, job, tmp_path):
    log = Log(job().source, "--run", "two")
    try:
        log.type("25.0001", "stored\tpart")
        restore(tmp_path / "kept.db", place, aside=True)
        said = log.type("25.0003", "end here and begin anew")
        status, rest = log.end()
    finally:
        log.program.kill()

    assert "it has no run 'two' of this plan" in said
    assert (status, rest) == (4, "")
    assert texts(place) == ["25.001", "25.002"]


@pytest.fixture
def session(place, job):
    plan = job()
    with Ledger(place) as ledger:
        yield Session(ledger, plan, run_for(ledger, plan, name="one"))


def test_a_ledger_moved_away_by_hand_is_not_written_to(session, place, tmp_path):
    session.enter("25.003", sure=True)
    for tail in ("", "-wal", "-shm"):
        os.rename(place + tail, str(tmp_path / "away.db") + tail)
    with pytest.raises(SpcError, match="moved from its place while it was open"):
        session.enter("25.004", sure=True)
    assert not Path(place).exists()
    restore(tmp_path / "kept.db", place)
    with pytest.raises(LedgerReplaced, match="another ledger"):
        session.enter("25.004", sure=True)

    assert session.enter("25.0045", sure=True).stored
    assert texts(place) == ["25.001", "25.002", "25.0045"]
    assert texts(str(tmp_path / "away.db")) == ["25.001", "25.002", "25.003"]


def test_a_run_that_is_gone_stays_refused(place, job, tmp_path):
    plan = job()
    with Ledger(place) as ledger:
        session = Session(ledger, plan, run_for(ledger, plan, name="two"))
        restore(tmp_path / "kept.db", place, aside=True)
        for _ in range(3):
            with pytest.raises(RunGone):
                session.enter("25.003", sure=True)
    assert texts(place) == ["25.001", "25.002"]


def test_readers_see_the_backup_as_well(session, place, tmp_path):
    session.enter("25.003", sure=True)
    restore(tmp_path / "kept.db", place, aside=True)

    assert session.held.spans == ()
    assert session.progress.line == 3
    # Whoever typed did not see it: the next line says so first.
    with pytest.raises(LedgerReplaced):
        session.enter("25.004", sure=True)


def test_a_watched_folder_is_stored_anew_as_far_as_the_backup_lacks_it(session, place, tmp_path):
    folder, said = tmp_path / "drop", []
    folder.mkdir()
    (folder / "a.csv").write_text("part,seat\n11,25.005\n12,25.006\n")
    now = time.time() - 100
    os.utime(folder / "a.csv", (now, now))
    watched = DropFolder(folder, session, said.append)
    watched.look()
    restore(tmp_path / "kept.db", place, aside=True)
    (folder / "b.csv").write_text("part,seat\n13,25.007\n")
    os.utime(folder / "b.csv", (now, now))
    for _ in range(2):
        watched.look()

    with Ledger(place, create=False) as ledger, ledger.reading() as reader:
        stored = [e.value for e in reader.entries(1) if e.kind == "reading"]
    assert stored == [1.0, 2.0, 5.0, 6.0, 7.0]
    assert any("another ledger was put in the place" in words for words in said)


def test_nothing_is_added_between_the_copy_aside_and_the_change(place, job, tmp_path):
    plan, stop, confirmed = job(), Event(), []

    def write():
        with Ledger(place) as ledger:
            mine = Session(ledger, plan, run_for(ledger, plan, name="one"))
            count = 0
            while not stop.is_set():
                count += 1
                try:
                    mine.enter(f"25.00{count % 7}{count:04d}", sure=True)
                except LedgerReplaced:
                    confirmed.append("restored")
                    continue
                confirmed.append(f"25.00{count % 7}{count:04d}")

    writer = threading.Thread(target=write)
    writer.start()
    try:
        places = []
        for _ in range(4):
            time.sleep(0.3)
            places.append(restore(tmp_path / "kept.db", place, aside=True)[1])
        time.sleep(0.3)
    finally:
        stop.set()
        writer.join()

    kept = [texts(p)[2:] for p in [*places, place]]
    stretches, told = [[]], confirmed
    for text in told:
        if text == "restored":
            stretches.append([])
        else:
            stretches[-1].append(text)
    # What was confirmed between two restores stands in the file that the later one kept aside.
    assert kept == stretches
    assert sum(map(len, kept)) > 10


def test_a_restore_that_is_killed_leaves_one_ledger_or_the_other_whole(place, tmp_path):
    with Ledger(place) as ledger, ledger.writing() as writer:
        writer.append(1, [Entry("part", 3 + n) for n in range(400)])
    with Ledger(place, create=False) as ledger:
        whole = verify(ledger).lines
    rng, seen = random.Random(1), set()
    with Ledger(place) as held, held.reading():
        # Somebody has it open, so that the files beside it are in use throughout.
        for _ in range(40):
            child = os.fork()
            if child == 0:
                try:
                    restore(tmp_path / "kept.db", place, aside=True)
                finally:
                    os._exit(0)
            time.sleep(rng.uniform(0, 0.06))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            with Ledger(place, create=False) as ledger:
                verdict = verify(ledger)
            assert verdict.faults == ()
            assert verdict.lines in (3, whole)
            seen.add(verdict.lines)
    for kept in tmp_path.glob("spc.db.aside-*"):
        with Ledger(kept, create=False) as ledger:
            assert verify(ledger).faults == ()
    assert whole in seen
