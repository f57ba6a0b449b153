"""A run at the machine with a clock of its own."""

import pytest

from spc.ledger.store import Ledger
from spc.live.begin import run_for
from spc.live.session import Session
from spc.plan import load_plan

SEATS = """
[job]
part = "Lock pin"
minutes_per_part = 1.0

[[feature]]
name = "seat"
nominal = 25.0
upper = 0.010
lower = -0.010
sample = 4

[[feature]]
name = "seat tail"
nominal = 25.0
upper = 0.010
lower = -0.010

[[feature]]
name = "roundness"
kind = "roundness"
upper = 2.5
unit = "um"
sample = 20

[machine]
dress_resets_size = true
dress_clears_offsets = true
offset_entry = "radius"
"""
PIN = SEATS[: SEATS.index('[[feature]]\nname = "seat tail"')] + SEATS[SEATS.index("[machine]") :]


class Clock:
    """Moves on by a minute at every look, or as told."""

    def __init__(self):
        self.now, self.step = 1_780_000_000_000_000, 60_000_000

    def __call__(self):
        self.now += self.step
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def job(tmp_path):
    def make(text=PIN):
        (tmp_path / "pin.toml").write_text(text, encoding="utf-8")
        return load_plan(tmp_path / "pin.toml")

    return make


@pytest.fixture
def ledger(tmp_path):
    with Ledger(tmp_path / "spc.db") as store:
        yield store


@pytest.fixture
def begin(ledger, job, clock):
    def start(text=PIN, **details):
        plan = job(text)
        return Session(ledger, plan, run_for(ledger, plan), clock=clock, **details)

    return start


@pytest.fixture
def session(begin):
    return begin()


@pytest.fixture
def seats(job):
    return job(SEATS)


@pytest.fixture
def seats_session(begin):
    return begin(SEATS)
