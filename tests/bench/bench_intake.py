"""
How long a million rows take, against plain pandas.read_csv of the same file.

Run by hand: ``pytest -m bench -s tests/bench/bench_intake.py``. Ratios are of processor time and
of peak memory, each measured in a process of its own.
"""

import subprocess
import sys

import numpy as np
import pytest

ROWS = 1_000_000
NOMINALS = {"seat A": 25.0, "seat B": 20.0, "seat C": 30.0, "seat D": 18.0}
PLAN = "[job]\npart = 'Shaft'\n" + "".join(
    f"[[feature]]\nname = '{name}'\nnominal = {nominal}\nupper = 0.011\nlower = 0.002\n"
    for name, nominal in NOMINALS.items()
)
WORDS = np.array(["---", "OVER", "#N/A", "0.98451", "nan", "25.0031 mm"], dtype=object)

MEASURED = """
import sys, time
def peak():
    lines = open("/proc/self/status").read().split("VmHWM:")
    return int(lines[1].split()[0]) / 1024
{setup}
base = peak()
start = time.process_time()
{work}
print(time.process_time() - start, peak() - base)
"""
PANDAS = ("import pandas", "kept = pandas.read_csv(sys.argv[1])")
OURS = (
    "from spc.plan import load_plan\nfrom spc.intake.reading import read_run\n"
    "plan = load_plan(sys.argv[2])",
    "kept = read_run(sys.argv[1], plan)\nassert kept.account['cells'] == int(sys.argv[3])",
)


def write_rows(path, rows, bad=0.0):
    draw = np.random.default_rng(1)
    start = np.datetime64("2026-01-05T06:00:00")
    times = np.datetime_as_string(start + np.arange(rows) * np.timedelta64(7, "s"))
    columns = []
    for nominal in NOMINALS.values():
        cells = np.char.mod("%.4f", nominal + draw.normal(0.0065, 0.002, rows)).astype(object)
        hit = draw.random(rows) < bad
        cells[hit] = WORDS[draw.integers(0, len(WORDS), hit.sum())]
        columns.append(cells)
    with path.open("w") as file:
        file.write("time,part," + ",".join(NOMINALS) + "\n")
        file.writelines(
            f"{time},{1000 + i},{','.join(cells)}\n"
            for i, (time, *cells) in enumerate(zip(times, *columns, strict=True))
        )
    return path


def measured(code, *arguments, times=3):
    """Least processor time of several runs [s], and the peak memory they took [MB]."""
    setup, work = code
    script = MEASURED.format(setup=setup, work=work)
    runs = [
        [float(x) for x in subprocess.run(
            [sys.executable, "-c", script, *map(str, arguments)],
            capture_output=True, text=True, check=True,
        ).stdout.split()]
        for _ in range(times)
    ]  # fmt: skip
    return min(run[0] for run in runs), max(run[1] for run in runs)


@pytest.mark.bench
def test_a_million_rows_against_plain_pandas(tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    clean = write_rows(tmp_path / "clean.csv", ROWS)
    bad = write_rows(tmp_path / "bad.csv", ROWS, bad=0.01)

    pandas, pandas_memory = measured(PANDAS, clean)
    ours, memory = measured(OURS, clean, plan, 4 * ROWS)
    with_bad, _ = measured(OURS, bad, plan, 4 * ROWS)

    print(f"\npandas.read_csv         {pandas:6.2f} s  {pandas_memory:6.0f} MB")
    print(f"read_run                {ours:6.2f} s  {memory:6.0f} MB")
    print(f"  times pandas          {ours / pandas:6.1f}    {memory / pandas_memory:6.1f}")
    print(f"read_run, 1 % bad cells {with_bad:6.2f} s, {with_bad / ours:.2f} times its clean time")
    assert ours / pandas <= 12
    assert memory / pandas_memory <= 8
    assert with_bad / ours <= 2


@pytest.mark.bench
def test_a_small_file_reads_in_a_blink(tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    small = write_rows(tmp_path / "small.csv", 2000)

    ours, _ = measured(OURS, small, plan, 8000)
    start, _ = measured(("pass", "import pandas"))

    print(
        f"\n2,000 parts x 4 features {ours * 1000:.0f} ms, {ours / start:.2f} times import pandas"
    )
    assert ours < start
