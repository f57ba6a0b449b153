"""What is confirmed is kept: kills, full disks, read-only folders, several programs at once."""

import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import open_session

HERE = Path(__file__).parent
READ_ONLY = """
import os, sys
from spc.live.begin import open_session
from spc.errors import SpcError
with open_session(sys.argv[2]) as session:
    # Everything is loaded by this, from wherever Python lies.
    session.enter("25.001")
if os.getuid() == 0:
    # Root may write anywhere; nobody may not.
    os.setegid(65534); os.seteuid(65534)
try:
    with open_session(sys.argv[1]) as session:
        session.enter("25.001")
except SpcError as error:
    print(error.exit_status, error)
"""
LIMITED = """
import resource, sys
from spc.live.begin import open_session
from spc.errors import SpcError
with open_session(sys.argv[1]) as session:
    import os
    folder = os.path.dirname(sys.argv[1])
    size = max(os.path.getsize(os.path.join(folder, f)) for f in os.listdir(folder))
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 50_000,) * 2)
    stored = 0
    try:
        for _ in range(2000):
            stored += len(session.enter("0.5", sure=True).stored)
    except SpcError as error:
        print(stored, error.exit_status, error)
"""


def python(*words, **details):
    return subprocess.run([sys.executable, *map(str, words)], capture_output=True, text=True,
                          **details)  # fmt: skip


def killed(job, rounds):
    done = python(HERE / "kill_rounds.py", job().source, rounds, 1)

    assert done.returncode == 0, done.stderr[-2000:]
    print(done.stdout)


def test_what_was_confirmed_survives_kills(job):
    killed(job, 25)


@pytest.mark.slow
def test_what_was_confirmed_survives_five_hundred_kills(job):
    killed(job, 500)


def side_by_side(job, seconds):
    plan = job().source
    with open_session(plan):
        pass
    programs = [
        subprocess.Popen(
            [sys.executable, str(HERE / "side_by_side.py"), task, plan, str(seconds)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for task in ("write", "write", "read")
    ]  # fmt: skip
    told = [program.communicate(timeout=seconds * 10 + 60) for program in programs]

    assert [program.returncode for program in programs] == [0, 0, 0], told
    one, two = (set(map(int, out.split())) for out, _ in told[:2])
    with Ledger(Path(plan).parent / "spc.db") as ledger:
        assert verify(ledger).faults == ()
        with ledger.reading() as reader:
            mine = [e for e in reader.entries(1) if e.kind in ("reading", "answer")]
    assert one
    assert two
    assert not one & two
    assert one | two == {e.line for e in mine}
    print(f"{len(one)} and {len(two)} entries, {told[2][0].strip()} looks, none lost or doubled")


def test_two_writers_and_a_reader_lose_and_double_nothing(job):
    side_by_side(job, 2)


@pytest.mark.slow
def test_two_writers_and_a_reader_for_a_minute(job):
    side_by_side(job, 60)


def test_a_file_that_may_not_grow_is_named_and_nothing_is_half_stored(job):
    plan = job().source
    done = python("-c", LIMITED, plan)

    stored, status, *words = done.stdout.split(" ")
    assert status == "4", done.stderr
    assert "nothing of this entry was stored" in " ".join(words)
    with Ledger(Path(plan).parent / "spc.db") as ledger:
        assert verify(ledger).faults == ()
        with ledger.reading() as reader:
            entries = [e for e in reader.entries(1) if e.kind != "run"]
    assert len(entries) == int(stored)
    with open_session(plan) as session:
        assert session.enter("0.5", sure=True).stored


@pytest.mark.parametrize("begun", [True, False])
def test_a_read_only_folder_is_named(job, begun):
    text = Path(job().source).read_text(encoding="utf-8")
    with tempfile.TemporaryDirectory(dir="/tmp") as name:
        folder = Path(name)
        plan = folder / "pin.toml"
        plan.write_text(text, encoding="utf-8")
        if begun:
            with open_session(plan) as session:
                session.enter("25.002")
        for file in folder.iterdir():
            file.chmod(0o444)
        folder.chmod(0o555)
        try:
            done = python("-c", READ_ONLY, plan, job().source)
        finally:
            folder.chmod(0o755)

        assert done.stdout.startswith("4 "), done.stderr
        assert "read-only" in done.stdout or "permissions" in done.stdout
        if begun:
            with Ledger(folder / "spc.db") as ledger:
                assert verify(ledger).faults == ()
