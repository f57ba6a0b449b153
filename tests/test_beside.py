"""Work in a copy of the process gives what it would have given here, or is done here."""

import os
import subprocess
import sys

import pytest

from spc.beside import begun, can_part

SETTING = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}


def told(code):
    """What a program of one thread prints; a copy can only be made there."""
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, env=SETTING
    )
    assert run.stderr == ""
    return run.stdout.split()


@pytest.fixture(scope="module", autouse=True)
def _parting():
    if told("from spc.beside import can_part; print(can_part())") != ["True"]:
        pytest.skip("this system cannot copy a process, or has one core")


def test_work_is_done_in_another_process():
    here, there = told("""
import os
from spc.beside import begun
print(os.getpid(), begun(os.getpid)())
""")

    assert here != there


@pytest.mark.parametrize(
    "fault",
    ["os._exit(3)", "os.kill(os.getpid(), 9)", "raise MemoryError", "return lambda: 1"],
    ids=["ended", "killed", "error", "cannot be told"],
)
def test_work_that_fails_there_is_done_here(fault):
    here, there = told(f"""
import os
from spc.beside import begun
here = os.getpid()
def work():
    if os.getpid() != here:
        {fault}
    return os.getpid()
print(here, begun(work)())
""")

    assert here == there


def test_an_error_comes_as_it_would_without_a_copy():
    assert told("""
from spc.beside import begun
from spc.errors import SpcError
def work():
    raise SpcError("seat A: no such column")
waited = begun(work)
try:
    waited()
except SpcError as error:
    print(error)
""") == ["seat", "A:", "no", "such", "column"]


def test_a_result_larger_than_a_pipe_arrives_whole():
    assert told("""
from spc.beside import begun
print(len(begun(lambda: bytes(3_000_000))()))
""") == ["3000000"]


def test_beside_other_threads_work_is_done_here():
    here, there = told("""
import os, threading
from spc.beside import begun
done = threading.Event()
threading.Thread(target=done.wait).start()
print(os.getpid(), begun(os.getpid)())
done.set()
""")

    assert here == there


def test_a_study_is_the_same_either_way(tmp_path):
    same = told(f"""
import json
from pathlib import Path
from spc import beside, study
from spc.intake import read_run
from spc.plan import load_plan
from spc.simulate.scenes import big_run

scene = big_run(Path({str(tmp_path)!r}), parts=530, features=4)
plan = load_plan(scene.plan)
run = read_run(scene.csv, plan)
copies = []
real = study.begun
study.begun = lambda work: copies.append(beside.can_part()) or real(work)
one, two = (study.examine(run, plan, beside=way).as_dict() for way in (False, True))
print(copies, json.dumps(one) == json.dumps(two), one["advice"]["parts_left"] is not None)
""")

    assert same == ["[True]", "True", "True"]


def test_without_a_second_core_the_work_itself_comes_back(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0})

    assert not can_part()
    assert begun(list) is list
