"""Parts on hold at the prompt are those of the study and of the board, in the same words."""

import html
import re

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spc import series
from spc.dress_cycles import dress_cycles
from spc.ledger import repeats
from spc.ledger.as_run import run_of
from spc.ledger.entry import Entry
from spc.ledger.replay import holding
from spc.live import held
from spc.live.board import renew_board
from spc.live.held import held_spans
from spc.live.words import answer_of
from spc.plan import load_plan
from spc.report.voice import voice
from spc.study import holds_of

TAPERED = """
[job]
part = "Lock pin"
[[feature]]
name = "seat"
nominal = 25.0
upper = 0.010
lower = -0.010
uncertainty_um = 2.0
[[feature]]
name = "tail"
nominal = 25.0
upper = 0.010
lower = -0.010
[[feature]]
name = "taper"
kind = "taper"
between = ["seat", "tail"]
upper = 4.0
lower = -4.0
unit = "um"
[[feature]]
name = "roundness"
kind = "roundness"
upper = 2.5
unit = "um"
"""


def on_screen(session):
    return " ".join(answer_of(session, voice()).do)


def on_board(session, tmp_path):
    page = renew_board(session, tmp_path / "board.html").read_text(encoding="utf-8")
    return html.unescape(re.sub(r"<[^>]+>", " ", page))


def test_a_part_left_without_its_second_reading_stays_on_hold_in_every_answer(begin, tmp_path):
    session = begin()
    for _ in range(8):
        session.enter("0.2")
    last_good = session.progress.made
    session.enter("-13")
    assert session.advice.action == "measure_again"
    session.enter("ground 4", sure=True)

    words = f"Still on hold: parts {last_good + 1} to {session.progress.made}."
    assert session.advice.action == "grind_on"
    assert on_screen(session).endswith(words)
    assert words in on_board(session, tmp_path)
    session.enter("0.2")
    assert f"to {session.progress.made - 1}." in on_screen(session)
    session.enter("cleared")
    assert "on hold" not in on_screen(session)


def test_a_hold_names_the_parts_to_set_aside(session, tmp_path):
    for text in ("#1 0.2", "#2 0.2", "#3 -13", "-13"):
        session.enter(text)
    assert session.advice.action == "hold"

    words = "Stop. Set aside part 3 until each is measured."
    assert on_screen(session).startswith(words)
    assert words in on_board(session, tmp_path)


def test_a_hold_tells_the_move_and_how_to_type_it_as_the_board_does(session, tmp_path):
    for text in ("+12", "+12"):
        session.enter(text, sure=True)

    shown = on_screen(session)
    assert shown.startswith("Stop. Set aside part 1 until each is measured. Before the next part,")
    assert "type -0.0" in shown.replace("\N{MINUS SIGN}", "-")
    board = on_board(session, tmp_path)
    assert shown.split(". ")[2].rstrip(".") in board


def test_a_dress_that_is_due_is_told_with_the_hold_and_answers_it(begin, tmp_path):
    wheel = "\n[wheel]\nparts_per_dress = 20\nmax_parts_per_dress = 6\n"
    machine = "[machine]\ndress_resets_size = true\ndress_clears_offsets = true"
    seat = TAPERED[: TAPERED.index('[[feature]]\nname = "tail"')]
    session = begin(seat + machine + wheel)
    for text in (*["+1", "-1"] * 3, "+12", "+12", "master"):
        session.enter(text, sure=True)
    assert (session.advice.action, session.advice.runner_up) == ("hold", "dress")
    assert "Dress the wheel before the next part." in on_screen(session)
    assert "Dress the wheel before the next part." in on_board(session, tmp_path)
    session.enter("dress")

    with session.ledger.reading() as reader:
        told = holding(reader.entries(session.run.id))
    assert [(e.what, e.text) for e in told if e.kind == "answer"][-1] == ("hold", "done")


def test_parts_on_hold_carry_the_serials_of_their_tags_as_on_the_board(session, tmp_path):
    for text in ("#4511 0.2", "#4512 0.2", "#4513 -13"):
        session.enter(text)
    session.enter("ground 2", sure=True)

    words = "Still on hold: parts 3 to 5 (serials 4513 to 4515)."
    assert on_screen(session).endswith(words)
    assert words in on_board(session, tmp_path)


ROWS = st.lists(
    st.tuples(
        st.integers(0, 3),
        st.sampled_from(["seat", "tail", "roundness", "cleared"]),
        st.sampled_from([0.0, 0.4, 3.0, 8.0, 8.7, 9.9, 10.1, 12.0, -11.0, 500.0, 2600.0]),
    ),
    max_size=40,
)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(rows=ROWS)
def test_the_spans_are_those_of_the_study(ledger, tmp_path, rows):
    (tmp_path / "taper.toml").write_text(TAPERED, encoding="utf-8")
    plan, part, told = load_plan(tmp_path / "taper.toml"), 1, []
    for step, what, value in rows:
        part += step
        if what == "cleared":
            told.append(Entry("event", part, what=what))
        else:
            told.append(Entry("reading", part, str(part), what=what, value=value))
    told.append(Entry("part", part + 2))
    with ledger.writing() as writer:
        run = writer.begin_run(f"run {len(writer.runs())}", plan)
        writer.append(run.id, told)
        read, mine = run_of(writer, run), holding(writer.entries(run.id))
    cycles = dress_cycles(part + 2, [], [])

    expected = [
        (span.feature, span.first, span.last)
        for span in holds_of(read, plan, cycles, first=1, last=part + 2)
        if not span.cleared
    ]
    assert [(s.feature, s.first, s.last) for s in held_spans(mine, plan, 1, part + 2)] == expected


def test_the_bounds_are_those_of_the_study():
    assert repeats.MISREADING_SDS == series.MISREADING_SDS
    assert held.UNBELIEVABLE_WIDTHS == series.UNBELIEVABLE_WIDTHS
    assert held.IMPOSSIBLE_SHARE == series.IMPOSSIBLE_SHARE


def test_a_size_that_no_part_can_have_holds_nothing(session, tmp_path):
    for text in ("0.2", "0.2", "250.02"):
        session.enter(text, sure=True)
    session.enter("ground 2", sure=True)

    assert session.held.spans == ()
    assert "on hold" not in on_board(session, tmp_path)
