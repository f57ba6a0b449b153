"""A whole invented shift typed into the prompt, broken off twice, gives the study of its file."""

import csv
from datetime import UTC, datetime
from pathlib import Path

import pytest

import spc
from spc.intake import read_run
from spc.ledger.finding import find_run
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live.begin import run_for
from spc.live.session import Session
from spc.plan import load_plan
from spc.study import examine

SAMPLES = Path(spc.__file__).parents[1] / "sample_runs"


def typed(row, features):
    """A row of the file as the operator would type it."""
    part = f"#{row['part']} " if row["part"] else ""
    match row["event"]:
        case "":
            return part + " ".join(row[name] for name in features if row[name])
        case "offset":
            return f"{part}offset {row['typed']}mm"
        case "pause":
            return f"{part}pause {row['minutes']}"
        case kind:
            return part + kind


@pytest.mark.slow
def test_a_shift_typed_with_two_breaks_is_the_shift_of_its_file(tmp_path, monkeypatch):
    monkeypatch.chdir(SAMPLES)
    plan = load_plan("capstan_spindle.toml")
    text = Path("capstan_spindle.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    place = str(tmp_path / "spc.db")
    now = [0]
    for begin, end in ((0, 40), (40, 80), (80, len(rows))):
        # Every stretch is another program that goes on from the ledger.
        with Ledger(place) as ledger:
            session = Session(ledger, plan, run_for(ledger, plan), clock=lambda: now[0])
            for row in rows[begin:end]:
                local = datetime.fromisoformat(row["time"]).replace(tzinfo=plan.zone)
                now[0] = int(local.astimezone(UTC).timestamp()) * 1_000_000
                names = [feature.name for feature in plan.measured_features]
                assert session.enter(typed(row, names), sure=True).stored
            assert verify(ledger).faults == ()

    mine = examine(find_run(place, plan).run, plan).as_dict()
    file = examine(read_run("capstan_spindle.csv", plan), plan).as_dict()

    # Where the rows came from differs, what follows from them does not.
    for name in ("sources", "remarks"):
        mine.pop(name), file.pop(name)
    assert file["account"].pop("skipped_lines") == 1
    assert mine["account"].pop("skipped_lines") == 0
    assert mine == file
    assert session.advice.as_dict() == file["advice"]
