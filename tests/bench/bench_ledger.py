"""
How fast the ledger takes, checks and answers, each against a plain way in the same run.

Run by hand: ``pytest -m bench -s tests/bench/bench_ledger.py``. Times are of the processor unless
they say otherwise, so that a busy machine changes them little.
"""

import sqlite3
import statistics
import subprocess
import sys
import time

import pytest

from spc.ledger.entry import Entry
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import open_session, run_for
from spc.live.files import import_into
from spc.plan import load_plan

pytestmark = pytest.mark.bench
ROWS = 200_000
MANY = 1_000_000
PLAN = """
[job]
part = "Lock pin"
[[feature]]
name = "seat"
nominal = 25.0
upper = 0.010
lower = -0.010
sample = 1
[machine]
dress_resets_size = true
dress_clears_offsets = true
"""
LOG = "import sys; from spc.cli.app import main; sys.argv[0] = 'spc'; main()"


@pytest.fixture
def plan(tmp_path):
    (tmp_path / "pin.toml").write_text(PLAN)
    return load_plan(tmp_path / "pin.toml")


def spent(work):
    begun = time.process_time()
    work()
    return time.process_time() - begun


def readings(count, first=1):
    return [
        Entry("reading", part, str(part), part * 60_000_000, "seat", part % 13 / 10,
              25.0 + part % 13 / 10_000, 4, 0, text="25.0004").row_values()
        for part in range(first, first + count)
    ]  # fmt: skip


def filled(plan, count):
    ledger = Ledger(plan.source.replace("pin.toml", "spc.db"))
    run = run_for(ledger, plan)
    with ledger.writing() as writer:
        writer.append_rows(run.id, readings(count))
    return ledger


def test_import_and_verify_against_plain_statements(plan, tmp_path):
    lines = [f"{p},25.{p % 130:04d}" for p in range(1, ROWS + 1)]
    (tmp_path / "a.csv").write_text("part,seat\n" + "\n".join(lines) + "\n")
    place = str(tmp_path / "spc.db")
    wall = time.perf_counter()
    ours = spent(lambda: import_into(place, plan, [str(tmp_path / "a.csv")]))
    wall = time.perf_counter() - wall
    with Ledger(place) as ledger:
        checked = spent(lambda: verify(ledger))
        assert verify(ledger).faults == ()
    stored = sqlite3.connect(place)
    rows = stored.execute("SELECT * FROM entries").fetchall()
    plain = sqlite3.connect(tmp_path / "plain.db")
    plain.execute("PRAGMA journal_mode = WAL")
    names = ", ".join(f"c{n}" for n in range(21))
    plain.execute(f"CREATE TABLE entries (line INTEGER PRIMARY KEY, {names})")
    marks = ", ".join("?" * 22)

    def insert():
        plain.executemany(f"INSERT INTO entries VALUES ({marks})", rows)
        plain.commit()

    inserted = spent(insert)
    fetched = spent(lambda: plain.execute("SELECT * FROM entries").fetchall())
    print(f"\nimport of a file: {ROWS / ours:,.0f} rows/s ({ROWS / wall:,.0f} by the clock), "
          f"{ours / inserted:.1f} x plain executemany")  # fmt: skip
    print(f"verify: {ROWS / checked:,.0f} rows/s, {checked / fetched:.1f} x plain fetchall")


def wall_of(*words, repeats=5):
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        subprocess.run([sys.executable, *words], check=True, capture_output=True)
        times.append(time.perf_counter() - begun)
    return min(times)


def test_one_shot_entry_against_importing_pandas(plan):
    with open_session(plan.source) as session:
        session.enter("0.1")
    first = wall_of("-c", LOG, "log", "--plan", plan.source, "24.998", "--yes")
    with open_session(plan.source) as session:
        while session.progress.made < 2000:
            session.enter("0.1", sure=True)
    last = wall_of("-c", LOG, "log", "--plan", plan.source, "24.998", "--yes")
    pandas = wall_of("-c", "import pandas")
    print(f"\none entry, by the clock: {first / pandas:.2f} x import pandas at the first parts, "
          f"{last / pandas:.2f} x at the 2,000th ({last * 1000:.0f} ms)")  # fmt: skip


def test_resident_entry_at_a_million_readings(plan):
    ledger = filled(plan, MANY)
    begun = time.perf_counter()
    ledger.close()
    with open_session(plan.source) as session:
        print(f"\nfirst start after a million imported rows: {time.perf_counter() - begun:.0f} s")
        times = []
        for count in range(40):
            begun = time.perf_counter()
            session.enter(f"{count % 5 / 10}", sure=True)
            assert session.advice
            times.append(time.perf_counter() - begun)
    begun = time.perf_counter()
    with open_session(plan.source) as session:
        again = time.perf_counter() - begun
        assert session.progress.made > MANY
    times.sort()
    print(f"entry to answer at {MANY:,} readings, by the clock: median "
          f"{1000 * statistics.median(times):.1f} ms, slowest of 40 {1000 * times[-1]:.1f} ms; "
          f"a later start {1000 * again:.0f} ms")  # fmt: skip
