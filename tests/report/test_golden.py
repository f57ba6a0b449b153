"""
What pages and terminal say, word for word.

To renew after a change that is meant: ``RENEW_GOLDEN=1 pytest tests/report/test_golden.py``, then
read the difference before keeping it.
"""

import html
import re
from pathlib import Path

import pytest
import studies

from spc.report.pages import write_board, write_gauge_study, write_index, write_report
from spc.report.terminal import advise_lines, check_lines

GOLDEN = Path(__file__).parent / "golden"


def words_of(page):
    """The text of a page, one line per block, without scripts and styles."""
    text = re.sub(r"<(script|style)\b.*?</\1>", "", page.read_text("utf-8"), flags=re.S)
    text = re.sub(r"</(td|th|dt)>", " | ", text)
    text = re.sub(r"<(tr|p|li|h\d|div|caption|figcaption|section|summary)\b[^>]*>", "\n", text)
    lines = html.unescape(re.sub(r"<[^>]+>", "", text)).splitlines()
    spaced = (re.sub(r"\s+", " ", line).strip(" |") for line in lines)
    # The version is the program's own and moves with every release.
    return "".join(f"{re.sub(r'spc [0-9.]+', 'spc X', line)}\n" for line in spaced if line)


@pytest.mark.parametrize("kind", ["report", "wheel", "gauge", "statement"])
def test_a_page_says_the_same_words(study, tmp_path, golden, kind):
    page = write_report(study, tmp_path, kind=kind, as_of=studies.AS_OF)

    golden(GOLDEN / f"{kind}.txt", words_of(page))


def test_a_gauge_study_of_known_parts_says_the_same_words(tmp_path, golden):
    known = studies.invented_known_parts(error=0.6, slope=0.03)
    page = write_gauge_study(
        None, None, tmp_path, title="Setting rings", people=["bench"], parts=["ring"],
        as_of=studies.AS_OF, known=known,
    )  # fmt: skip

    golden(GOLDEN / "gauge_study.txt", words_of(page))


def test_the_wheel_of_a_longer_run_says_how_often_to_dress(tmp_path, golden):
    study = studies.invented_study(studies.invented_run(parts=180))
    words = words_of(write_report(study, tmp_path, kind="wheel", as_of=studies.AS_OF))

    mine = words[words.index("\nHow often to dress") :]

    golden(GOLDEN / "dress_interval.txt", mine[: mine.index("\nWheel\n")])


def test_a_busy_shift_is_told_in_the_same_words(tmp_path, golden):
    page = write_report(studies.busy_study(), tmp_path, as_of=studies.AS_OF, locale="de")
    words = words_of(page)

    golden(GOLDEN / "busy_comma.txt", words[: words.rindex("\nThe run\n")])


def test_index_and_board_say_the_same_words(study, tmp_path, golden):
    write_report(study, tmp_path, as_of=studies.AS_OF)
    board = write_board(study, tmp_path, as_of=studies.AS_OF)

    golden(GOLDEN / "index.txt", words_of(write_index(tmp_path)))
    golden(GOLDEN / "board.txt", words_of(board))


def test_the_terminal_says_the_same_lines(study, golden):
    lines = [*check_lines(study), "", *advise_lines(study)]

    golden(GOLDEN / "terminal.txt", "\n".join(lines) + "\n")


@pytest.mark.parametrize(
    "action", ["grind_on", "measure_again", "check", "dress", "swivel", "let_it_warm", "hold"]
)
def test_every_act_has_its_words(tmp_path, golden, action):
    amounts = {
        "dress": {"offset_um": 2.0, "amount": 0.001},
        "swivel": {"offset_um": None, "amount": 12.0, "amount_unit": "um"},
        "let_it_warm": {"offset_um": None, "amount": 25.0, "amount_unit": "min"},
    }.get(action, {"offset_um": None, "amount": None, "amount_unit": None})
    soon = 0 if action == "measure_again" else 1
    told = studies.advice(action, subject="gauge", measure_after=soon, **amounts)
    held = [("seat", 85, 90)] if action == "hold" else ()
    study = studies.invented_study(advice=told, held=held)
    words = words_of(write_report(study, tmp_path, as_of=studies.AS_OF))

    body = words[words.index("\nAll pages") :]
    told_words = body[body.index("\nNext cut\n") : body.index("\nHandover\n")]
    expected = next(line for line in words.splitlines() if line.startswith("The next shift"))
    golden(GOLDEN / f"act_{action}.txt", f"{told_words}\n{expected}\n")
