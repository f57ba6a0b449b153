"""What commands say when they are asked for something that cannot be."""

import re
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from spc.fits import UnknownFit, limits_of_size

ROOT = Path(__file__).parents[2]
pytestmark = pytest.mark.usefixtures("good_csv")


def test_help_and_readme_name_the_letters_and_grades_that_are_held(spc_says):
    told = " ".join(spc_says("fit", "--help")[1].split())
    listed = re.search(r"shafts (.*), the hole H, grades 1 to 12", told)[1]
    letters = (*listed.replace(" and ", ", ").split(", "), "H")

    assert len(letters) == 13
    for letter in letters:
        assert limits_of_size(f"25 {letter}12").grade == 12
    for letter in ("K", "j", "t", "JS"):
        with pytest.raises(UnknownFit):
            limits_of_size(f"25 {letter}5")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"shafts {', '.join(letters[:-1])} and the hole H, grades 1 to 12" in readme


def test_a_grade_with_a_nought_is_refused(spc_says):
    status, out, err = spc_says("fit", "25 h01")

    assert (status, out) == (2, "")
    assert "IT01 lies outside the tables" in err


FREEZE = ("plan", "freeze", "good.csv", "--plan", "pin.toml")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--who", "", "--why", "base"), "--who is empty; write it such as 'shift lead'"),
        (("--who", "lead", "--why", " "), "--why is empty; write it such as"),
        (("--who", "lead", "--why", "x", "--when", "25.11."), "--when '25.11.' is not a day"),
    ],
)
def test_limits_are_not_frozen_without_who_why_and_a_day(spc_says, words, says):
    status, out, err = spc_says(*FREEZE, *words)

    assert (status, out) == (2, "")
    assert says in err


def test_limits_are_frozen_on_the_day_named_and_else_today(spc_says):
    words = (*FREEZE, "--who", "lead", "--why", "new diamond")
    before = datetime.now(UTC).date()

    named, today = spc_says(*words, "--when", "2026-11-25")[1], spc_says(*words)[1]

    assert 'when = "2026-11-25"' in named
    written = re.search(r'^when = "(.*)"$', today, re.MULTILINE)[1]
    assert before <= date.fromisoformat(written) <= datetime.now(UTC).date()


@pytest.mark.parametrize("sigma", ["0", "-1", "nan", "inf"])
def test_a_spread_that_is_none_is_named(spc_says, sigma):
    status, _, err = spc_says("run-length", "--plan", "pin.toml", "--sigma", sigma)

    assert status == 2
    assert f"--sigma {sigma}: the spread must be a number of µm above 0" in err


def test_a_sheet_of_a_file_that_is_no_workbook_is_refused(spc_says):
    status, _, err = spc_says("check", "good.csv", "--plan", "pin.toml", "--sheet", "Shift 1")

    assert status == 3
    assert "good.csv: the sheet 'Shift 1' is asked for, but this is no workbook" in err


def test_a_name_that_is_neither_file_nor_run_is_said_to_be_neither(spc_says):
    status, _, err = spc_says("check", "shift9", "--plan", "pin.toml")
    assert status == 3
    assert "shift9: there is no such file, and no ledger at spc.db" in err

    assert spc_says("import", "good.csv", "--plan", "pin.toml")[0] == 0
    status, _, err = spc_says("report", "shift9", "--plan", "pin.toml")
    assert status == 3
    assert "shift9: there is no such file, and no run of that name in the ledger spc.db" in err
