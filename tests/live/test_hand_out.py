import csv
import json
from importlib.util import find_spec

import pytest

from spc.errors import SpcError
from spc.live.doctor import examine_here
from spc.live.hand_out import TABLES, hand_out


def table(path):
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_tables_hold_what_stands_and_every_entry(session, tmp_path):
    session.enter("25.001")
    session.enter("25.002")
    session.enter("undo")
    session.enter("dress =cmd()")
    session.enter("note =1+1")
    hand_out(session.ledger, tmp_path / "out")

    (reading,) = table(tmp_path / "out" / "readings.csv")
    assert (reading["deviation_um"], reading["feature"], reading["part"]) == ("1.0", "seat", "1")
    assert reading["time"].endswith("+00:00")
    events = table(tmp_path / "out" / "events.csv")
    assert [e["note"] for e in events] == ["'=cmd()", "'=1+1"]
    entries = table(tmp_path / "out" / "entries.csv")
    assert len(entries) >= 6
    assert all(len(entry["chain"]) == 64 for entry in entries)


def test_every_column_is_described_beside_the_table(session, tmp_path):
    session.enter("25.001")
    hand_out(session.ledger, tmp_path, run=session.run.name)

    for name, columns in TABLES.items():
        sidecar = json.loads((tmp_path / f"{name}.csv-metadata.json").read_text(encoding="utf-8"))
        assert [c["titles"] for c in sidecar["tableSchema"]["columns"]] == list(columns)
    with pytest.raises(SpcError, match=session.run.name):
        hand_out(session.ledger, tmp_path, run="none")


if find_spec("pyarrow"):

    def test_parquet_holds_the_same_rows(session, tmp_path):
        from pyarrow import parquet

        session.enter("25.001")
        hand_out(session.ledger, tmp_path, parquet=True)

        assert parquet.read_table(tmp_path / "readings.parquet").num_rows == 1

else:

    def test_parquet_without_its_library_says_what_to_install(session, tmp_path):
        with pytest.raises(SpcError, match=r"extra \[parquet\]"):
            hand_out(session.ledger, tmp_path, parquet=True)


def states(found):
    return {(f.subject, f.state) for f in found}


def test_the_doctor_finds_nothing_wrong_here(session):
    session.clock.now = 0
    session.enter("25.001")

    found = examine_here(session.ledger.place, session.plan.source)

    assert not [f for f in found if f.state == "fault"]
    assert ("ledger", "good") in states(found)


def test_the_doctor_names_a_broken_plan_a_missing_folder_and_no_ledger(tmp_path):
    (tmp_path / "pin.toml").write_text("[job]\n")
    found = examine_here(str(tmp_path / "none" / "spc.db"), tmp_path / "pin.toml")

    assert ("plan", "fault") in states(found)
    assert ("folder", "fault") in states(found)
    assert ("ledger", "note") in states(found)


def test_the_doctor_names_a_damaged_ledger(tmp_path):
    (tmp_path / "spc.db").write_bytes(b"nonsense" * 1000)

    assert ("ledger", "fault") in states(examine_here(str(tmp_path / "spc.db")))


def test_the_doctor_notes_a_clock_behind_the_last_entry(session, monkeypatch):
    session.enter("25.001")
    monkeypatch.setattr("spc.live.doctor.now_us", lambda: 1)

    assert ("clock", "note") in states(examine_here(session.ledger.place))
