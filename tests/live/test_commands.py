"""The commands of the ledger as typed, in the process of the test: output and exit status."""

import json
import sqlite3
import sys
from pathlib import Path

import pytest

from spc.cli.app import main


@pytest.fixture
def spc_says(capsys, monkeypatch, tmp_path, job):
    job()
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("SPC_LEDGER", raising=False)
    rows = [f"{p},2026-11-25 {6 + p // 60:02d}:{p % 60:02d},25.00{p % 7}" for p in range(1, 60)]
    Path("run.csv").write_text("part,time,seat\n" + "\n".join(rows) + "\n")

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["spc", *words])
        with pytest.raises(SystemExit) as end:
            main()
        said = capsys.readouterr()
        return end.value.code or 0, said.out, said.err

    return run


PLAN = ("--plan", "pin.toml")


def test_import_stores_once_and_says_so(spc_says):
    status, out, _ = spc_says("import", "run.csv", *PLAN)
    assert status == 0
    assert "59 readings" in out
    document = json.loads(spc_says("import", "run.csv", *PLAN, "--json")[1])
    assert document["files"] == [
        {"names": ["run.csv"], "known": True, "refused": None, "stored": None}
    ]


def test_a_dry_run_stores_nothing(spc_says):
    assert spc_says("import", "run.csv", *PLAN, "--dry-run")[0] == 0
    assert not Path("spc.db").exists()


def test_a_refused_file_is_status_3_and_the_others_are_stored(spc_says):
    Path("bad.csv").write_text("junk\n")
    status, out, _ = spc_says("import", "run.csv", "bad.csv", *PLAN)

    assert status == 3
    assert "59 readings" in out
    assert "bad.csv\trefused" in out


def test_reading_commands_take_a_run_of_the_ledger_or_the_newest(spc_says):
    spc_says("import", "run.csv", *PLAN, "--run", "monday")
    file = spc_says("check", "run.csv", *PLAN)

    assert spc_says("check", *PLAN) == file
    assert spc_says("check", "monday", *PLAN) == file
    assert spc_says("advise", *PLAN, "--json") == spc_says("advise", "run.csv", *PLAN, "--json")
    status, out, _ = spc_says("report", *PLAN, "--out", "pages", "--wheel", "1")
    assert status == 0
    assert Path(out.strip()).exists()
    assert spc_says("check", "friday", *PLAN)[0] == 3


def test_without_run_or_ledger_the_way_to_begin_one_is_said(spc_says):
    status, out, err = spc_says("check", *PLAN)

    assert (status, out) == (2, "")
    assert "spc import" in err


def test_two_spans_at_once_are_wrong_usage(spc_says):
    spc_says("import", "run.csv", *PLAN)
    words = ("report", *PLAN, "--wheel", "1", "--shift", "early")

    assert "choose one" in spc_says(*words)[2]


def test_verify_is_status_4_when_a_line_was_changed(spc_says):
    spc_says("import", "run.csv", *PLAN)
    status, out, _ = spc_says("ledger", "verify")
    head = next(line.split("\t")[1] for line in out.splitlines() if line.startswith("head"))
    assert status == 0
    assert spc_says("ledger", "verify", "--head", head)[0] == 0
    assert spc_says("ledger", "verify", "--head", "0" * 32)[0] == 4
    bare = sqlite3.connect("spc.db")
    bare.execute("DROP TRIGGER entries_unchanged")
    bare.execute("UPDATE entries SET value = 3 WHERE line = 9").connection.commit()
    bare.close()

    status, out, _ = spc_says("ledger", "verify", "--json")
    assert status == 4
    assert "line 9 was changed" in json.loads(out)["faults"][0]


def test_backup_restore_and_export(spc_says):
    spc_says("import", "run.csv", *PLAN)
    assert spc_says("ledger", "backup", "kept.db")[0] == 0
    assert spc_says("ledger", "backup", "kept.db")[0] == 2
    assert spc_says("ledger", "restore", "kept.db")[0] == 2
    assert "the old one" in spc_says("ledger", "restore", "kept.db", "--aside")[1]
    status, out, _ = spc_says("ledger", "export", "--out", "out")
    assert status == 0
    assert all(Path(name).exists() for name in out.split())


def test_doctor_is_status_4_with_a_fault(spc_says):
    assert spc_says("doctor", *PLAN)[0] == 0
    Path("spc.db").write_text("nonsense " * 100)
    status, out, _ = spc_says("doctor", "--json")

    assert status == 4
    assert json.loads(out)["schema"] == "spc.doctor/1"


def test_an_entry_is_answered_and_a_slip_is_not_stored(spc_says):
    assert spc_says("log", *PLAN, "25.001")[0] == 0
    status, out, err = spc_says("log", *PLAN, "12.5")
    assert (status, out) == (2, "")
    assert "--yes" in err
    assert spc_says("log", *PLAN, "--board", "board.html", "12.5", "--yes")[0] == 0
    assert Path("board.html").exists()
    assert spc_says("watch", "nowhere", *PLAN)[0] == 2
