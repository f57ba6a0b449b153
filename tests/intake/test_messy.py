"""Messy files with the answers of a careful reader (invented; the answers stand in the JSON)."""

import json
from pathlib import Path

import pytest

from spc.errors import SpcError
from spc.intake import read_run
from spc.plan import load_plan

MESSY = Path(__file__).parent / "messy"


def parts_of(run):
    return dict(zip(run.measurements["part"], run.measurements["serial"], strict=True))


@pytest.mark.parametrize("answer", sorted(MESSY.glob("*.json")), ids=lambda path: path.stem)
def test_a_messy_file_is_read_as_a_careful_reader_would(answer):
    wanted = json.loads(answer.read_text())
    plan = load_plan(answer.with_suffix(".toml"))
    file = answer.with_suffix(".csv")
    if wanted["refuse"]:
        with pytest.raises(SpcError, match=wanted["refuse"]) as refusal:
            read_run(file, plan)
        assert refusal.value.exit_status == 3
        return

    run = read_run(file, plan)

    got = {(m.serial, m.feature, m.repeat): m.deviation_um for m in run.measurements.itertuples()}
    right = {(serial, name, repeat): um for serial, name, repeat, um in wanted["accepted"]}
    assert got.keys() == right.keys()
    assert got == pytest.approx(right, abs=wanted.get("tolerance_um", 1e-9))
    assert len(run.rejects) == wanted["rejects"]
    if wanted.get("rejects_are_rows"):
        assert set(run.rejects["column"]) <= {""}
    assert run.account["identical_rows"] == wanted["identical_rows"]
    serial = parts_of(run)
    events = [
        [serial[e.after_part], e.kind, None if e.amount_um != e.amount_um else e.amount_um]
        for e in run.events.itertuples()
    ]
    assert events == wanted["events"]
    ends = ("measurements", "rejected", "blank", "identical", "summary")
    assert run.account["cells"] == sum(run.account[end] for end in ends)
