"""The command as typed, in a process of its own: what it loads, what it answers, how it ends."""

import io
import subprocess
import sys
from pathlib import Path

import pytest

from spc.cli.app import main
from spc.errors import StoreBusy
from spc.ledger.store import Ledger
from spc.ledger.verify import verify
from spc.live import standing
from spc.live.session import Session
from spc.live.typed import NotUnderstood

RUN = "import sys; from spc.cli.app import main; sys.argv[0] = 'spc'; main()"
LOADED = (
    "import sys, contextlib\n"
    "from spc.cli.app import main\n"
    "with contextlib.suppress(SystemExit):\n    main()\n"
    "print('LOADED', *sys.modules)"
)


def spc(*words, code=RUN, stdin=None, **details):
    return subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, input=stdin, **details
    )


@pytest.fixture
def plan_file(job):
    return job().source


def test_one_entry_loads_neither_pandas_nor_plotly_nor_scipy_stats(plan_file):
    for _ in range(2):
        done = spc("log", "--plan", plan_file, "24.998", code=LOADED)
        loaded = done.stdout.split("LOADED")[1].split()

        assert "sqlalchemy" in loaded
        assert not {"pandas", "plotly", "scipy.stats", "jinja2", "rich.console"} & set(loaded)
    with Ledger(Path(plan_file).parent / "spc.db") as ledger:
        assert verify(ledger).lines >= 3


def test_an_answer_in_a_pipe_is_tab_separated_lines(plan_file):
    done = spc("log", "--plan", plan_file, "24,998")

    assert done.returncode == 0
    assert done.stdout.splitlines()[0].count("\t") == 1
    assert done.stderr == ""


def test_an_answer_names_the_part_its_line_was_stored_for(plan_file):
    assert spc("log", "--plan", plan_file, "#4511", "24.998").returncode == 0
    said = [
        spc("log", "--plan", plan_file, *typed).stdout.splitlines()
        for typed in (["#4512", "24,999"], ["offset", "-3"])
    ]

    assert said[0][1] == "stored\tpart 4512 · seat 24.9990 mm · −1.0 µm"
    assert said[1][1] == "stored\toffset −3.0 µm after part 4512"


def test_an_implausible_reading_is_stored_only_when_it_is_meant(plan_file):
    refused = spc("log", "--plan", plan_file, "41")
    assert (refused.returncode, refused.stdout) == (2, "")
    assert "--yes stores it as it is" in refused.stderr

    assert "stored\tpart 1 " in spc("log", "--plan", plan_file, "--yes", "41").stdout


def test_negative_readings_and_moves_are_no_options(plan_file):
    assert spc("log", "--plan", plan_file, "-0,004").returncode == 0
    assert spc("log", "--plan", plan_file, "offset", "-3").returncode == 0


def test_lines_from_a_pipe_are_taken_one_by_one(plan_file):
    done = spc("log", "--plan", plan_file, stdin="24.998\n\n25.001\nundo\n")

    assert done.returncode == 0
    assert "taken back: 25.001" in done.stdout


def test_a_refused_line_of_a_pipe_is_named_and_holds_up_no_other(plan_file):
    lines = b"24.998\nhello\n\n26\nyes\n25.001\n24.9\xb598\n25.002\nquit\n25.003\n"
    done = subprocess.run(
        [sys.executable, "-c", RUN, "log", "--plan", plan_file], input=lines, capture_output=True
    )
    said = done.stderr.decode().splitlines()

    assert done.returncode == 2
    # The yes on line 5 answers nothing: the question of line 4 was a refusal.
    assert [line.split(":")[0] for line in said[:-1]] == ["line 2", "line 4", "line 5", "line 7"]
    assert said[-1] == "lines not stored: 4; all others are"
    with Ledger(Path(plan_file).parent / "spc.db") as ledger, ledger.reading() as reader:
        stored = [e.value for e in reader.entries(1) if e.kind == "reading"]
    assert stored == [-2.0, 1.0, 2.0]


def test_a_pipe_into_a_store_that_refuses_ends_with_its_status(plan_file, monkeypatch, capsys):
    def refuse(self, text, *, sure=False):
        raise (StoreBusy("busy") if text.startswith("25") else NotUnderstood("what?"))

    monkeypatch.setattr(Session, "enter", refuse)
    monkeypatch.setattr(sys, "stdin", io.StringIO("25.001\nhello\n"))
    monkeypatch.setattr(sys, "argv", ["spc", "log", "--plan", plan_file])
    with pytest.raises(SystemExit) as end:
        main()

    assert end.value.code == 4
    assert capsys.readouterr().err.splitlines()[:2] == ["line 1: busy", "line 2: what?"]


def test_a_store_that_goes_away_after_a_line_was_stored_denies_it_not(
    plan_file, monkeypatch, capsys
):
    def away(*_words):
        raise StoreBusy("the database server does not answer")

    monkeypatch.setattr(standing, "held_now", away)
    monkeypatch.setattr(sys, "stdin", io.StringIO("24.998\n25.001\n"))
    monkeypatch.setattr(sys, "argv", ["spc", "log", "--plan", plan_file])
    with pytest.raises(SystemExit) as end:
        main()
    said = capsys.readouterr()

    assert (end.value.code or 0) == 0
    assert said.out.count("stored\tpart") == 2
    assert said.err.count("what was typed is stored, but what comes next cannot be told") == 2
    assert "lines not stored" not in said.err


@pytest.mark.parametrize(("words", "typed"), [((), "25.001\n25.002\n"), (("25.001",), None)])
def test_an_answer_that_cannot_be_written_says_that_the_line_is_stored(plan_file, words, typed):
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-c", RUN, "log", "--plan", plan_file, *words],
            stdout=full, stderr=subprocess.PIPE, input=typed, text=True,
        )  # fmt: skip
    with Ledger(Path(plan_file).parent / "spc.db") as ledger, ledger.reading() as reader:
        stored = [e.text for e in reader.entries(1) if e.kind == "reading"]

    assert done.returncode == 4
    assert stored == ["25.001"]
    assert "standard output (No space left on device), but what was typed is stored" in done.stderr


@pytest.mark.parametrize(
    ("typed", "status", "says"),
    [("nan", 2, "not a number"), ("26", 2, "tolerance widths"), ("hello", 2, "? lists all")],
)
def test_what_is_not_stored_is_said_in_one_line(plan_file, typed, status, says):
    done = spc("log", "--plan", plan_file, typed)

    assert done.returncode == status
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1
    assert says in done.stderr


def test_the_ledger_named_by_the_environment_is_used(plan_file, tmp_path, monkeypatch):
    monkeypatch.setenv("SPC_LEDGER", str(tmp_path / "shop.db"))
    spc("log", "--plan", plan_file, "24.998")

    assert (tmp_path / "shop.db").exists()
    assert not (Path(plan_file).parent / "spc.db").exists()
