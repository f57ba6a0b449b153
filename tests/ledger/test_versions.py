"""A ledger that any version wrote opens in this one."""

import shutil
from pathlib import Path

import pytest

from spc.ledger.as_run import run_of
from spc.ledger.replay import resume
from spc.ledger.store import Ledger
from spc.ledger.verify import verify

KEPT = sorted((Path(__file__).parents[1] / "ledgers").glob("*.sqlite"))


def test_there_is_one_for_every_version():
    assert [path.name for path in KEPT] == ["version_1.sqlite"]


@pytest.mark.parametrize("kept", KEPT, ids=lambda path: path.stem)
def test_it_opens_verifies_and_reads(kept, tmp_path):
    shutil.copy(kept, tmp_path / "spc.db")

    with Ledger(tmp_path / "spc.db") as ledger:
        assert verify(ledger).faults == ()
        with ledger.reading() as reader:
            run = reader.run_named("invented")
            plan = reader.plan_of(run)
            read = run_of(reader, run)
            progress = resume(reader, run, plan)

    table = read.measurements
    assert table["deviation_um"].tolist() == [1.0, -2.0, 2.0, -1.5, -1.0]
    assert table["part"].tolist() == [1, 3, 4, 5, 5]
    assert table["repeat"].tolist() == [0, 0, 0, 0, 1]
    assert read.events["kind"].tolist() == ["dress", "note", "offset"]
    assert read.events["note"].tolist()[1] == "Ø 25 µm"
    assert read.rejects["text"].tolist() == ["ERR"]
    assert progress.made == 5
