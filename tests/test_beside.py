"""Work in a copy of the process gives what it would have given here, or is done here."""

import os
import subprocess
import sys
import time

import pytest

from spc.beside import beside, can_part

SETTING = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}


def told(code):
    """What a program of one thread prints; a copy can only be made there."""
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, env=SETTING
    )
    assert run.stderr == ""
    return run.stdout.split()


@pytest.fixture(scope="module")
def parting():
    if told("from spc.beside import can_part; print(can_part())") != ["True"]:
        pytest.skip("this system cannot copy a process, or has one core")


@pytest.mark.usefixtures("parting")
def test_work_is_done_in_another_process():
    here, there = told("""
import os
from spc.beside import beside
with beside(os.getpid) as done:
    print(os.getpid(), done())
""")

    assert here != there


@pytest.mark.usefixtures("parting")
@pytest.mark.parametrize(
    "fault",
    ["os._exit(3)", "os.kill(os.getpid(), 9)", "raise MemoryError", "return lambda: 1"],
    ids=["ended", "killed", "error", "cannot be told"],
)
def test_work_that_fails_there_is_done_here(fault):
    here, there = told(f"""
import os
from spc.beside import beside
here = os.getpid()
def work():
    if os.getpid() != here:
        {fault}
    return os.getpid()
with beside(work) as done:
    print(here, done())
""")

    assert here == there


@pytest.mark.parametrize(
    "state",
    [
        "import signal; signal.signal(signal.SIGCHLD, signal.SIG_IGN)",
        "def no(): raise BlockingIOError(11, 'no room')\nos.fork = no",
        "def no(): raise OSError(24, 'too many files')\nos.pipe = no",
        "import threading; done = threading.Event(); threading.Thread(target=done.wait).start()",
        "os.sched_getaffinity = lambda _: {0}",
    ],
    ids=["children ignored", "no process", "no pipe", "other threads", "one core"],
)
def test_where_no_copy_can_be_made_the_work_is_done_here(state):
    here, there = told(f"""
import os
{state}
from spc.beside import beside
with beside(os.getpid) as work:
    print(os.getpid(), work())
if "done" in globals():
    done.set()
""")

    assert here == there


@pytest.mark.usefixtures("parting")
def test_an_error_comes_as_it_would_without_a_copy():
    assert told("""
from spc.beside import beside
from spc.errors import SpcError
def work():
    raise SpcError("seat A: no such column")
try:
    with beside(work) as done:
        done()
except SpcError as error:
    print(error)
""") == ["seat", "A:", "no", "such", "column"]


@pytest.mark.usefixtures("parting")
def test_an_error_here_leaves_no_copy_and_no_file_behind():
    assert told("""
import os, time
from pathlib import Path
from spc.beside import beside
before = len(list(Path("/proc/self/fd").iterdir()))
for _ in range(5):
    try:
        with beside(lambda: time.sleep(60)):
            raise KeyError
    except KeyError:
        pass
children = Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()
print(len(children), len(list(Path("/proc/self/fd").iterdir())) - before)
""") == ["0", "0"]


@pytest.mark.usefixtures("parting")
def test_a_copy_ends_with_its_program():
    begun = time.monotonic()
    # The copy holds the program's standard output: whoever reads it waits for both.
    assert told("""
import os, time
from spc.beside import beside
with beside(lambda: time.sleep(60)):
    print("ended", flush=True)
    os._exit(0)
""") == ["ended"]
    assert time.monotonic() - begun < 30


@pytest.mark.usefixtures("parting")
def test_a_result_larger_than_a_pipe_arrives_whole():
    assert told("""
from spc.beside import beside
with beside(lambda: bytes(3_000_000)) as done:
    print(len(done()))
""") == ["3000000"]


@pytest.mark.usefixtures("parting")
def test_a_study_is_the_same_either_way(tmp_path):
    same = told(f"""
import json, os
from pathlib import Path
from spc import study
from spc.intake import read_run
from spc.plan import load_plan
from spc.simulate.scenes import big_run

scene = big_run(Path({str(tmp_path)!r}), parts=530, features=4)
plan = load_plan(scene.plan)
run = read_run(scene.csv, plan)
here = []
real = study.follow
def follow(*told):
    here.append(os.getpid())
    return real(*told)
study.follow = follow
two = study.examine(run, plan, beside=True).as_dict()
print(len(here))
one = study.examine(run, plan).as_dict()
print(len(here), json.dumps(one) == json.dumps(two), one["advice"]["parts_left"] is not None)
""")

    assert same == ["0", "1", "True", "True"]


def test_with_one_core_the_work_itself_is_entered(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0})

    assert not can_part()
    with beside(list) as work:
        assert work is list
