"""The prompt as the operator sees it: when an act is spoken of, and what is asked back."""

import io

import pytest
from rich.console import Console

from spc.errors import StoreBusy
from spc.ledger.replay import holding
from spc.live import standing
from spc.live.prompt import run_prompt
from spc.report.voice import voice

PAIR = """
[job]
part = "Lock pin"
[[feature]]
name = "seat"
nominal = 25.0
upper = 0.010
lower = -0.010
[[feature]]
name = "tail"
nominal = 25.0
upper = 0.010
lower = -0.010
"""


@pytest.fixture
def pair(begin):
    return begin(PAIR)


@pytest.fixture
def offset_due(pair):
    """A run of pairs that was just advised an offset, which nobody answered."""
    while pair.advice.action != "offset":
        pair.enter("6.5 2")
    assert not pair.unfinished
    return pair


@pytest.fixture
def type_in():
    """Types lines into a prompt on a session; what the screen showed after each."""

    def run(session, *lines):
        screen, shown, lines = io.StringIO(), [], list(lines)

        def ask(_prompt):
            shown.append(screen.getvalue())
            screen.seek(0), screen.truncate()
            if not lines:
                raise EOFError
            return lines.pop(0)

        run_prompt(session, voice(), console=Console(file=screen, width=90), ask=ask)
        return shown[1:]

    return run


def test_a_prompt_goes_on_when_the_store_goes_away_after_a_line(pair, type_in, monkeypatch):
    def away(*_words):
        raise StoreBusy("the database server does not answer")

    pair.enter("0.2 0.2")
    here = standing.held_now
    calls = iter([here, here, away, here, here])
    monkeypatch.setattr(standing, "held_now", lambda *words: next(calls)(*words))
    first, second, third = type_in(pair, "0.1 0.1", "0.4 0.3", "0.3 0.2")

    assert ["cannot be told" in shown for shown in (first, second, third)] == [False, True, False]
    assert "it is stored, but" in second
    assert pair.progress.made == 4


def test_help_is_shown_above_the_question_that_is_still_open(pair, type_in):
    _, shown, _ = type_in(pair, "26 25.001", "?", "no")

    assert shown.index("quit   ") < shown.index("26 is 990 µm beyond the limits of seat")


def answers(session):
    with session.ledger.reading() as reader:
        held = holding(reader.entries(session.run.id))
    return [(e.part, e.what, e.text) for e in held if e.kind == "answer"]


def test_an_act_is_asked_about_once_after_the_last_feature_of_a_part(offset_due, type_in):
    session, made = offset_due, offset_due.progress.made
    before = answers(session)

    seat, tail = type_in(session, "6.5", "2")

    assert session.progress.made == made + 1
    assert "■  OFFSET" not in seat
    assert "■  OFFSET" in tail
    assert "done · no <why>" in tail
    # The act of the part before was passed over; that of this part still waits.
    assert answers(session) == [*before, (made, "offset", "unanswered")]
    session.enter("done")
    assert answers(session)[-1] == (made + 1, "offset", "done")


def test_an_answer_between_two_features_holds_for_the_part(offset_due, type_in):
    session, made = offset_due, offset_due.progress.made
    before = answers(session)
    session.enter("6.5")
    session.enter("no the batch ends")
    (tail,) = type_in(session, "2")

    assert "■  OFFSET" in tail
    assert "done · no <why>" not in tail
    session.enter("6.5")
    assert answers(session) == [
        *before, (made, "offset", "unanswered"), (made + 1, "offset", "not done"),
    ]  # fmt: skip


def test_an_act_is_spoken_of_when_the_last_feature_is_left_out(offset_due, type_in):
    seat, left_out = type_in(offset_due, "6.5", "")

    assert "■  OFFSET" not in seat
    assert "■  OFFSET" in left_out


def test_a_part_to_be_measured_again_is_spoken_of_at_once(pair, type_in):
    for _ in range(8):
        pair.enter("0.2 0.2")
    (shown,) = type_in(pair, "+12")

    assert "MEASURE AGAIN" in shown


def test_parts_not_measured_or_an_event_further_on_begin_the_next_part(offset_due):
    made = offset_due.progress.made
    before = answers(offset_due)
    offset_due.enter(f"#{made + 2} coolant")

    assert answers(offset_due) == [*before, (made, "offset", "unanswered")]


def test_a_new_start_asks_for_the_answer_that_is_missing(offset_due, type_in):
    type_in(offset_due, "note tea")
    before = answers(offset_due)
    (answered,) = type_in(offset_due, "done")

    assert "offset" in answered
    assert answers(offset_due)[len(before) :] == [(offset_due.progress.made, "offset", "done")]


def test_the_move_of_a_hold_waits_for_the_other_diameter_of_the_part(pair):
    for text in ("+12", "+12"):
        pair.enter(text, sure=True)
    assert (pair.advice.action, pair.whole) == ("hold", False)
    pair.enter("done")
    assert answers(pair)[-1] == (1, "hold", "done")
    assert offsets(pair) == []
    for _ in range(2):  # it is outside as well, and read again
        pair.enter("+11", sure=True)
    assert pair.whole
    pair.enter("done")

    assert offsets(pair) == [pytest.approx(-12, abs=2)]


def offsets(session):
    with session.ledger.reading() as reader:
        held = holding(reader.entries(session.run.id))
    return [e.value for e in held if e.kind == "event" and e.what == "offset"]
