"""Files written on the spot and read with a plan of two seats (invented)."""

import pytest

from spc.intake import read_run
from spc.plan import read_plan

SEATS = """
[job]
part = "Bilge pump shaft"
machine = "Grinder 2"

[[feature]]
name = "seat A"
nominal = 25.0
upper = 0.011
lower = 0.002
station_mm = 12.0

[[feature]]
name = "seat B"
nominal = 20.0
upper = 0.0
lower = -0.013
station_mm = 88.0
"""
ENDS = ("measurements", "rejected", "blank", "identical", "summary")


def make_plan(text=SEATS, more=""):
    return read_plan((text + more).encode(), source="plan.toml")


def adds_up(run):
    account = run.account
    assert account["cells"] == sum(account[end] for end in ENDS)
    assert account["measurements"] == len(run.measurements)
    assert account["events"] == len(run.events)
    assert account["rejected"] >= len(run.rejects)
    return run


@pytest.fixture
def seats():
    return make_plan()


@pytest.fixture
def read(tmp_path):
    def read(content, more="", *, plan=None, events=None, name="run.csv", **how):
        """Read text or bytes, or several of them, with the plan of two seats and `more` of it."""
        contents = content if isinstance(content, list) else [content]
        paths = []
        for number, one in enumerate(contents):
            path = tmp_path / (name if len(contents) == 1 else f"{number}_{name}")
            path.write_bytes(one.encode() if isinstance(one, str) else one)
            paths.append(path)
        told = None
        if events is not None:
            told = tmp_path / "events.csv"
            told.write_bytes(events.encode())
        return adds_up(read_run(paths, plan or make_plan(more=more), told, **how))

    return read


@pytest.fixture
def taken():
    def taken(run):
        """Every measurement as (serial, feature, repeat): deviation, rounded to 1 nm."""
        return {
            (m.serial, m.feature, m.repeat): round(m.deviation_um, 3)
            for m in run.measurements.itertuples()
        }

    return taken
