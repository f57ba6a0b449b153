"""Commands typed in a folder of their own, in the process of the test."""

import sys
from pathlib import Path

import pytest
from short_pin import PLAN

from spc.cli.app import main


@pytest.fixture
def spc_says(capsys, monkeypatch, tmp_path):
    """Type a command: its exit status, output and errors; the plan stands beside as pin.toml."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("SPC_LEDGER", raising=False)
    Path("pin.toml").write_text(PLAN)

    def run(*words):
        monkeypatch.setattr(sys, "argv", ["spc", *words])
        with pytest.raises(SystemExit) as end:
            main()
        said = capsys.readouterr()
        return end.value.code or 0, said.out, said.err

    return run


@pytest.fixture
def good_csv(spc_says):
    """59 parts of the pin, all inside."""
    rows = [f"{part},25.{(part % 7):04d}" for part in range(1, 60)]
    Path("good.csv").write_text("part,seat\n" + "\n".join(rows) + "\n")
    return "good.csv"
