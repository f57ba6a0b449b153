"""Workbooks, read with the optional extra."""

import subprocess
import sys
import time

import pytest
from books import write_book, write_far

from spc.errors import UnreadableRun
from spc.intake import preview, read_run, sheets, workbook

calamine = pytest.importorskip("python_calamine", reason="the extra [xlsx] is not installed")

ROWS = [
    ["Bench gauge"],
    ["time", "part", "seat A", "seat B"],
    [46345.25521, 1001, 25.0031, 19.9946],
    [46345.25600, 1003, "OVER", 19.995],
    [None, "Mean", 25.0031, 19.9948],
]


def test_a_sheet_reads_as_a_file_does(tmp_path, seats):
    path = tmp_path / "run.xlsx"
    write_book(path, notes=[["nothing here"]], bench=ROWS)

    run = read_run(path, seats)

    got = run.measurements[["part", "serial", "feature", "deviation_um", "row"]].values.tolist()
    assert got == [[1, "1001", "seat A", 3.1, 3], [1, "1001", "seat B", -5.4, 3],
                   [3, "1003", "seat B", -5.0, 4]]  # fmt: skip
    assert str(run.measurements["time"].iloc[0])[:19] == "2026-11-19 06:07:30"
    assert run.rejects["text"].tolist() == ["OVER"]
    assert run.account["summary_rows"] == 1
    assert preview(path, seats).files[0].encoding == "workbook, sheet 'bench'"


def test_a_sheet_is_named_when_several_hold_measurements(tmp_path, seats):
    path = tmp_path / "run.xlsx"
    write_book(path, early=ROWS, late=[["part", "seat A"], [7, 25.0044]])

    with pytest.raises(UnreadableRun, match=r"several sheets of the workbook.*'early', 'late'"):
        read_run(path, seats)
    assert read_run(path, seats, sheet="late").measurements["serial"].tolist() == ["7"]
    with pytest.raises(UnreadableRun, match=r"no sheet 'noon'; it has: 'early', 'late'"):
        read_run(path, seats, sheet="noon")


def test_a_workbook_called_csv_is_refused_and_a_damaged_one_too(tmp_path, seats):
    path = tmp_path / "run.xlsx"
    write_book(path, bench=ROWS)
    named = tmp_path / "run.csv"
    named.write_bytes(path.read_bytes())
    with pytest.raises(UnreadableRun, match="workbook, not a text file"):
        read_run(named, seats)

    path.write_bytes(path.read_bytes()[:300])
    with pytest.raises(UnreadableRun, match="workbook cannot be opened"):
        read_run(path, seats)
    write_book(path, bench=[])
    with pytest.raises(UnreadableRun, match="workbook is empty"):
        read_run(path, seats)


@pytest.mark.parametrize("place", ["XFD1048576", "Z1048576", "H1048576"])
def test_one_cell_far_out_is_refused_soon_and_ends_nothing(tmp_path, seats, place):
    path = tmp_path / "far.xlsx"
    write_far(path, place)
    begun = time.monotonic()

    with pytest.raises(UnreadableRun, match=r"workbook.*clear what stands far from the table"):
        read_run(path, seats)
    # It took 27 s and 1.2 GB where it did not abort; a second try takes no time at all.
    assert time.monotonic() - begun < 10
    again = time.monotonic()
    with pytest.raises(UnreadableRun, match="clear what stands far from the table"):
        read_run(path, seats)
    assert time.monotonic() - again < 0.5


def test_a_cell_below_the_table_is_no_more_than_blank_rows(tmp_path, seats):
    path = tmp_path / "far.xlsx"
    write_far(path, "B5000")

    assert read_run(path, seats).measurements["serial"].tolist() == ["7"]


def test_a_workbook_that_takes_too_long_is_refused(tmp_path, seats, monkeypatch):
    path = tmp_path / "run.xlsx"
    write_book(path, bench=[["part", "seat A"], [8, 25.0044]])
    with monkeypatch.context() as hurried:
        hurried.setattr(sheets, "MOST_SECONDS", 0.001)
        with pytest.raises(UnreadableRun, match=r"more than 1,000 MB or 0.001 s"):
            read_run(path, seats)
    workbook._refused.clear()

    assert read_run(path, seats).measurements["serial"].tolist() == ["8"]


def test_modules_in_the_folder_of_the_workbook_are_not_run(tmp_path, seats, monkeypatch):
    write_book(tmp_path / "run.xlsx", bench=[["part", "seat A"], [9, 25.0044]])
    for name in ("csv", "json", "python_calamine"):
        (tmp_path / f"{name}.py").write_text("raise SystemExit(3)")
    monkeypatch.chdir(tmp_path)

    assert read_run("run.xlsx", seats).measurements["serial"].tolist() == ["9"]


def test_the_process_that_reads_needs_nothing_of_this_package():
    code = f"import runpy, sys; runpy.run_path({sheets.__file__!r}); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert not [name for name in done.stdout.split() if name.split(".")[0] in ("spc", "pandas")]
