import random
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from spc.adviser.advice import Advice
from spc.advising import advisor_for
from spc.errors import SpcError, StoreBusy
from spc.ledger.as_run import run_of
from spc.ledger.entry import Entry
from spc.ledger.replay import Progress, holding
from spc.ledger.store import Ledger, Writer
from spc.ledger.verify import verify
from spc.live import doubts
from spc.live.answers import Clerk
from spc.live.begin import run_for
from spc.live.session import Session
from spc.live.typed import Line, NotUnderstood
from spc.live.words import answer_of
from spc.report.voice import voice
from spc.run import Source

NARROW = """
[job]
part = "Lock pin"
[[feature]]
name = "seat"
nominal = 25.0
upper = 0.011
lower = 0.002
"""


def stored(session):
    with session.ledger.reading() as reader:
        return holding(reader.entries(session.run.id))


def told(session):
    return [(e.kind, e.part, e.what, e.value, e.text) for e in stored(session) if e.kind != "run"]


def readings(session):
    return [(e.part, e.what, e.value) for e in stored(session) if e.kind == "reading"]


def test_each_reading_is_the_next_part_where_the_plan_asks_for_every_part(begin):
    session = begin("[job]\npart='Pin'\n[[feature]]\nname='seat'\nnominal=25.0\nupper=0.01\n"
                    "lower=-0.01\n")  # fmt: skip
    for text in ("25.001", "24,999", "-1"):
        session.enter(text)

    assert [(part, value) for _, part, _, value, _ in told(session)] == [(1, 1.0), (2, -1.0),
                                                                       (3, -1.0)]  # fmt: skip


def test_a_sampled_part_is_the_one_the_prompt_asked_for(session):
    for _ in range(30):
        session.enter("0.4")
        part, _ = session.due
        assert part == session.progress.made + session.advice.measure_after
        session.clock.now += 1_000_000

    assert session.progress.made > 40


def test_features_come_in_turn_and_enter_leaves_one_out(seats_session):
    session = seats_session
    session.enter("25.001")
    assert session.due[1].name == "seat tail"
    assert "seat tail" in session.enter("").said
    assert session.due == (1, session.plan.feature("roundness"))
    session.enter("0.8")
    second = 1 + session.advice.measure_after
    assert session.due == (second, session.plan.feature("seat"))
    session.enter("1 2")
    # Roundness is read on every 20th part only.
    third = second + session.advice.measure_after
    assert session.due == (third, session.plan.feature("seat"))
    session.enter("seat tail 25.002")

    assert readings(session) == [
        (1, "seat", 1.0), (1, "roundness", 0.8), (second, "seat", 1.0),
        (second, "seat tail", 2.0), (third, "seat tail", 2.0),
    ]  # fmt: skip


def test_a_part_number_counts_the_parts_between(session):
    session.enter("#4711 25.001")
    session.enter("part 4715")
    session.enter("25.001")
    session.enter("ground 2")
    session.enter("25.001")
    readings = [e for e in stored(session) if e.kind == "reading"]

    assert [(e.part, e.serial) for e in readings] == [(1, "4711"), (5, "4715"), (8, "4718")]
    assert session.progress.made == 8
    with pytest.raises(NotUnderstood, match="4718, the last one"):
        session.enter("#4712 25.001")


@pytest.mark.parametrize("number", ["²", "٣", "9" * 5000, "999999999999", "14712"])
def test_a_part_number_that_cannot_be_is_refused_however_sure(session, number):
    session.enter("#4711 25.001")
    for text in (f"#{number} 25.001", f"part {number}", f"#{number} dress"):
        with pytest.raises(NotUnderstood, match=r"whole|begin another run"):
            session.enter(text, sure=True)

    assert session.progress.made == 1


def test_an_event_may_name_the_part_it_came_after(session):
    session.enter("#4711 25.001")
    session.enter("#4713 dress")

    event = stored(session)[-1]
    assert (event.kind, event.part, event.serial) == ("event", 3, "4713")
    assert session.due[0] == 4
    assert session.enter("#5000 dress").question


def test_again_is_a_repeat_of_the_same_part(session):
    session.enter("25.001")
    session.enter("again")
    session.enter("25.0012")

    assert [(e.part, e.repeat) for e in stored(session) if e.kind == "reading"] == [(1, 0), (1, 1)]


@pytest.mark.parametrize("words", ["", "#8 "])
def test_a_whole_row_for_a_part_to_be_measured_again_begins_with_its_first_feature(
    seats_session, words
):
    session = seats_session
    for part in range(1, 8):
        session.enter(f"#{part} 25.0002 25.0002")
    session.enter("#8 25.0002 25.0105", sure=True)
    assert (session.advice.action, session.advice.subject) == ("measure_again", "seat tail")
    with pytest.raises(NotUnderstood, match="4 readings"):
        session.enter(f"{words}25.0003 25.0004 0.8 1")
    session.enter(f"{words}25.0003 25.0004 0.8")

    again = [(e.part, e.what, e.repeat) for e in stored(session) if e.kind == "reading"][-3:]
    assert again == [(8, "seat", 1), (8, "seat tail", 1), (8, "roundness", 0)]


def test_a_whole_row_while_features_are_left_is_no_guess(seats_session):
    seats_session.enter("25.0002")
    with pytest.raises(NotUnderstood, match="3 readings, but from seat tail"):
        seats_session.enter("25.0003 25.0004 0.8")


def test_a_surprise_is_measured_again_on_the_same_part(session):
    for _ in range(8):
        session.enter("0.2")
    session.enter("+12")
    assert session.advice.action == "measure_again"
    assert session.due[0] == session.progress.made
    before = session.progress.made
    session.enter("0.3")

    assert session.progress.made == before


@pytest.mark.parametrize(("third", "held"), [("7.6", False), ("11.2", True), ("9.3", False)])
def test_two_readings_that_disagree_ask_for_a_third_and_two_of_three_decide(begin, third, held):
    session = begin(NARROW)
    for text in ("6.5", "6.6", "6.5", "11.1"):
        session.enter(text)
    session.enter("7.5")

    assert (session.advice.action, session.advice.subject) == ("measure_again", "seat")
    assert "+11.1, +7.5 µm" in session.advice.evidence
    assert session.due[0] == session.progress.made == 4
    assert "third reading" in session.enter("ground 4").question
    # Another program on the ledger asks the same.
    session.refresh()
    assert session.advice.action == "measure_again"
    session.enter(third)
    assert session.advice.action != "measure_again"
    assert bool(session.held.spans) is held
    assert open_questions(session) == []


def test_a_third_reading_that_never_comes_stays_an_open_item(begin):
    session = begin(NARROW)
    for text in ("#101 6.5", "#102 6.6", "#103 27", "y", "6.0"):
        session.enter(text)
    session.enter("ground 2", sure=True)
    session.enter("6.5")

    assert open_questions(session) == [
        "question: seat of part 103 read +27.0 µm, then +6.0 µm, and no third reading decides "
        "between them"
    ]
    session.enter("again")
    session.enter("6.5")
    assert len(open_questions(session)) == 1


def open_questions(session):
    with session.ledger.reading() as reader:
        return [r for r in run_of(reader, session.run).remarks if r.startswith("question")]


def test_grinding_on_is_asked_about_while_a_part_waits_for_its_second_reading(session):
    for text in ("#4511 0.2", "#4512 0.2", "#4513 0.2", "#4514 +12"):
        session.enter(text)
    before = told(session)

    assert session.enter("ground 4").question == (
        "part 4514 waits for its second reading; ground on all the same?"
    )
    assert told(session) == before
    session.enter("no")
    assert session.due[0] == 4
    session.enter("ground 4")
    session.enter("yes")
    assert session.progress.made == 8
    assert not session.enter("ground 4").question


@pytest.mark.parametrize("text", ["12.5", "26", "offset -300", "#400 25.001", "41"])
def test_what_looks_odd_is_asked_before_anything_is_stored(session, text):
    session.enter("25.001")
    before = told(session)

    assert session.enter(text).question
    assert told(session) == before
    assert session.enter("no").said == "nothing was stored"
    assert told(session) == before
    session.enter(text)
    assert session.enter("y").stored


def test_a_leap_of_the_part_number_is_asked_about_unless_that_part_is_due(begin, monkeypatch):
    session = begin(
        "[job]\npart='Pin'\n[[feature]]\nname='seat'\nnominal=25.0\nupper=0.01\nlower=-0.01\n"
        "sample=50\n"
    )
    session.enter("#51 0.2")
    beyond = session.due[0] + session.progress.ahead + 21
    assert session.enter(f"#{beyond} 0.2").question == (
        f"part {beyond} is {beyond - 51} parts after part 51, the last one; really?"
    )
    assert session.enter(f"part {beyond}").question
    for text in ("0.2", "0.1", "0.2", "0.1"):
        session.enter(text)
    due = session.due[0] + session.progress.ahead
    monkeypatch.setattr(doubts, "FAR_AHEAD", 2)
    assert due > session.progress.made + session.progress.ahead + 2
    assert session.enter(f"#{due + 1} 0.2").question
    assert session.enter(f"#{due} 0.2").stored


def test_cleared_with_a_part_asks_when_more_than_its_hold_would_end(session):
    for part, text in enumerate(("0.2", "-13", "0.2", "0.2", "-13"), 1):
        session.enter(f"#{part + 100} {text}", sure=True)
    session.enter("#106 0.1")

    both = "cleared ends every hold, part 102 and part 105, "
    assert session.enter("cleared 105").question == (f"{both}not only that of part 105; clear all?")
    assert session.enter("cleared #103 sorted").question == (
        f"{both}and part 103 is in none; clear all?"
    )
    assert session.enter("cleared all sorted").stored
    assert "nor is any other" in session.enter("cleared 105").question
    session.enter("#107 -13")
    session.enter("#108 0.2", sure=True)
    assert session.enter("cleared part 107 sorted").stored
    assert session.held.spans == ()


TWO_REGISTERS = """
[job]
part = "Shaft"
[[feature]]
name = "seat"
nominal = 25.0
upper = 0.010
lower = -0.010
register = "X1"
sample = 1
[[feature]]
name = "collar"
nominal = 40.0
upper = 0.010
lower = -0.010
register = "X2"
sample = 1
[machine]
dress_clears_offsets = true
"""


def test_an_offset_names_its_register_and_moves_what_stands_on_it(begin):
    session = begin(TWO_REGISTERS)
    for _ in range(3):
        session.enter("0.1 7.0", sure=True)
    advice = session.advice
    assert (advice.action, advice.register) == ("offset", "X2")
    assert "in offset register X2; plus makes parts bigger" in " ".join(
        answer_of(session, voice()).do
    )
    session.enter("done")
    assert [(e.what, e.value, e.note) for e in stored(session)][-1] == (
        "offset", advice.offset_um, "X2",
    )  # fmt: skip
    by_hand = begin(TWO_REGISTERS, attended=True)
    assert by_hand.advice == session.advice
    # As told, the collar is back in its middle: nothing stands against going on.
    session.enter("0.1 0.2", sure=True)
    assert session.advice.action == "grind_on"


def test_an_offset_without_its_register_is_asked_about_where_the_plan_names_several(begin):
    session = begin(TWO_REGISTERS)
    session.enter("0.1 7.0", sure=True)
    asked = session.enter("offset -3").question
    named = session.enter("offset -3 X2")

    assert asked.startswith("the offset registers are X1, X2; without a name")
    assert "counts for X1" in asked
    assert [e.note for e in named.stored] == ["X2"]


def test_done_at_a_hold_stores_the_move_that_goes_with_it(session):
    for text in ("+12", "+12"):
        session.enter(text, sure=True)
    advice, before = session.advice, len(told(session))
    assert advice.action == "hold"
    session.enter("done")

    assert [e[0::2][:2] for e in told(session)[before:]] == [
        ("answer", "hold"), ("event", "offset"),
    ]  # fmt: skip
    assert told(session)[-1][3] == advice.offset_um
    assert (session.advice.action, session.advice.offset_um) == ("hold", None)
    # It is entered once, whoever types it again.
    assert "on top of it" in session.enter("offset -3").question


def test_the_move_of_a_hold_typed_by_hand_answers_it(session):
    for text in ("+12", "+12"):
        session.enter(text, sure=True)
    session.enter("offset -9", sure=True)

    assert [e[4] for e in told(session) if e[0] == "answer"] == ["other amount"]


def test_a_question_is_dropped_by_a_new_line(session):
    assert session.enter("26").question
    session.enter("25.001")

    assert [e[3] for e in told(session)] == [1.0]
    with pytest.raises(NotUnderstood, match="nothing was advised"):
        session.enter("yes")


SHAFT = """
[job]
part = "Pinion shaft"
minutes_per_part = 1.5

[[feature]]
name = "bearing seat"
fit = "25 k5"

[[feature]]
name = "seal seat"
fit = "30 h6"

[[feature]]
name = "gear seat"
fit = "20 g6"

[[feature]]
name = "taper"
kind = "taper"
upper = 0.003

[[feature]]
name = "roundness"
kind = "roundness"
upper = 0.0025
"""
ROW = "25,0066 29,9938 19,9868 1 0,7"


def values_of(session):
    return {e[2]: e[3] for e in told(session) if e[0] == "reading"}


def test_a_value_typed_anew_takes_its_own_place_and_moves_no_other(begin):
    session = begin(SHAFT)
    first = session.enter(ROW)
    assert first.question.startswith("1 is 997 µm beyond the limits of taper")
    assert first.instead == "or type taper anew, the other readings are kept"
    second = session.enter("0,001")
    assert second.question.startswith("0,7 is 700 µm from zero of roundness")
    assert told(session) == []
    assert session.enter("roundness 0,0007").stored

    assert session.progress.made == 1
    assert values_of(session) == {
        "bearing seat": 6.6, "seal seat": -6.2, "gear seat": -13.2, "taper": 1.0, "roundness": 0.7,
    }  # fmt: skip


def test_a_yes_is_about_the_value_that_was_asked_about_alone(begin):
    session = begin(SHAFT)
    session.enter(ROW)
    assert session.enter("yes").question.startswith("0,7 is 700 µm")
    assert session.enter("yes").stored

    assert values_of(session)["taper"] == 1000.0
    assert values_of(session)["roundness"] == 700.0


def test_a_line_in_question_is_typed_anew_as_a_whole_for_the_part_it_named(begin):
    session = begin(SHAFT)
    session.enter("#7 " + ROW)
    assert session.enter("25,0066 29,9938 19,9868 0,001 0,0007").stored

    assert {(e[0], e[1]) for e in told(session)} == {("reading", 1)}
    assert session.serial(1) == "7"


@pytest.mark.parametrize("text", ["bearing seat 25,006", "25,006 29,993"])
def test_readings_of_other_features_wait_for_the_answer(begin, text):
    session = begin(SHAFT)
    session.enter(ROW)
    with pytest.raises(NotUnderstood, match="1 of taper is still in question"):
        session.enter(text)
    with pytest.raises(SpcError):
        session.enter("0,00x")
    session.enter("0,001")
    session.enter("0,0007")

    assert values_of(session)["bearing seat"] == 6.6
    assert len(told(session)) == 5


def test_a_value_in_question_of_one_reading_keeps_its_feature_and_part(seats_session):
    session = seats_session
    session.enter("25.001 25.002 0.8")
    assert session.enter("#3 seat tail 26").question
    session.enter("25.004")

    assert told(session)[-1][1:4] == (3, "seat tail", 4.0)


def test_a_yes_to_a_leap_of_the_part_number_is_none_to_its_size(session):
    session.enter("25.001")
    assert "really?" in session.enter("#400 26").question
    assert "tolerance widths" in session.enter("yes").question
    assert session.enter("25.002").stored

    assert told(session)[-1][1:4] == (400, "seat", 2.0)


@pytest.mark.parametrize(
    "text", ["dress", "", "undo", "part 7", "again", "ground 2", "done", "offset -3", "#9 25.001"]
)
def test_nothing_else_is_taken_while_a_value_is_in_question(seats_session, text):
    session = seats_session
    session.enter("25.001 25.002 0.8")
    before, due = told(session), session.due
    assert session.enter("25.100 20.001").question
    with pytest.raises(NotUnderstood, match=r"25\.100 of seat is still in question: yes, no, seat"):
        session.enter(text)
    assert (told(session), session.due) == (before, due)
    assert "20.001" in session.enter("25.003").question
    session.enter("25.004")

    assert [e[3] for e in told(session)[3:]] == [3.0, 4.0]


def test_help_leaves_the_question_open_and_repeats_it(session):
    asked = session.enter("26")
    helped = session.enter("?")

    assert "a reading: size" in helped.said
    assert (helped.question, helped.instead) == (asked.question, asked.instead)
    assert session.enter("yes").stored


def test_a_line_in_the_place_of_one_in_question_says_that_that_was_not_stored(session):
    session.enter("25.001")
    session.enter("#400  25.002")
    reply = session.enter("dress")

    assert reply.before == "'#400  25.002' was not stored"
    assert [e.what for e in reply.stored] == ["dress"]
    session.enter("26")
    assert session.enter("25.003").stored
    session.enter("offset -300")
    for text in ("undo", ""):
        with pytest.raises(NotUnderstood, match="offset -300 is still in question"):
            session.enter(text)
    assert session.enter("25.004").before == "'offset -300' was not stored"
    assert session.enter("25.005").before == ""


def test_a_question_stays_open_when_the_answer_cannot_be_stored(session, monkeypatch):
    def full(*_details):
        raise StoreBusy("the disk is full")

    session.enter("26")
    with monkeypatch.context() as patched:
        patched.setattr(Writer, "keep_state", full)
        with pytest.raises(SpcError, match="full"):
            session.enter("yes")

    assert session.enter("yes").stored


def test_an_end_says_which_line_was_still_in_question(session):
    session.enter("26")
    assert session.enter("quit").leave
    assert session.last_words().startswith("'26' was still in question and is not stored; else ")
    session.enter("no")
    assert session.last_words().startswith("everything is stored")


def test_a_key_that_bounces_is_asked_about(session):
    session.clock.step = 100_000
    session.enter("25.001")
    assert "half a second" in session.enter("25.001").question
    session.enter("no")
    session.clock.step = 60_000_000
    assert session.enter("25.001").stored


def offset_due(session):
    for _ in range(20):
        session.enter("7.5")
        if session.advice.action == "offset":
            return session.advice
    raise AssertionError("no offset was advised")


def test_done_stores_the_event_and_the_answer(session):
    advice = offset_due(session)
    session.enter("done")

    assert told(session)[-2][:4] == ("answer", session.progress.made, "offset", advice.offset_um)
    assert told(session)[-2][4] == "done"
    assert told(session)[-1][:4] == ("event", session.progress.made, "offset", advice.offset_um)


def test_done_stores_a_dress_with_the_move_that_belongs_to_it(session):
    advice = Advice("dress", "wheel", -3.0, -3.0, "um", 1, "", "", None, None)
    stand_in = SimpleNamespace(made=40, advice=advice)

    entries = Clerk("", 0).answered(stand_in, Line("done"), whole=True)

    kinds = [(e.kind, e.part, e.what, e.value) for e in entries]
    assert kinds == [("answer", 40, "dress", -3.0), ("event", 40, "dress", None),
                     ("event", 40, "offset", -3.0)]  # fmt: skip


def offsets(session):
    return [e[3] for e in told(session) if e[:1] == ("event",) and e[2] == "offset"]


def test_the_same_offset_twice_is_asked_about_before_anything_is_stored(session):
    session.enter("25.001")
    session.enter("offset -3")
    assert "same offset again?" in session.enter("offset -3").question
    assert session.enter("no").said == "nothing was stored"
    assert offsets(session) == [-3.0]
    assert session.enter("offset -1").stored
    session.enter("offset -1")
    assert session.enter("y").stored
    assert offsets(session) == [-3.0, -1.0, -1.0]
    session.enter("25.001")
    assert session.enter("offset -1").stored


@pytest.mark.parametrize("change", [0.0, 1.0])
def test_an_offset_typed_after_done_is_asked_about_whatever_its_amount(session, change):
    advice = offset_due(session)
    session.enter("done")
    again = session.enter(f"offset {advice.offset_um + change}")

    assert again.question
    assert not again.stored
    assert offsets(session) == [advice.offset_um]


def test_an_offset_taken_back_may_be_typed_again(session):
    session.enter("25.001")
    session.enter("offset -3")
    session.enter("undo")

    assert session.enter("offset -3").stored


def test_another_program_asks_about_the_same_offset_too(session, clock):
    session.enter("25.001")
    other = Session(session.ledger, session.plan, session.run, clock=clock)
    session.enter("offset -3")

    assert "same offset again?" in other.enter("offset -3").question


def test_another_amount_a_refusal_and_silence_are_kept_too(session):
    move = offset_due(session).offset_um
    session.enter("offset -1")
    assert [e[4] for e in told(session) if e[0] == "answer"] == ["other amount"]
    session.enter("undo")
    session.enter("dress")
    assert [e[2:] for e in told(session) if e[0] == "answer"] == [("offset", move, "other act")]
    assert told(session)[-1][2] == "dress"
    session.enter("undo")
    session.enter(f"#{session.progress.made + 2} wheel")
    assert [e[4] for e in told(session) if e[0] == "answer"] == ["unanswered"]
    session.enter("undo")
    session.enter("no last part of the batch")
    assert [e[4] for e in told(session) if e[0] == "answer"] == ["not done"]
    session.enter("undo")
    session.enter("7.5")
    assert [e[4] for e in told(session) if e[0] == "answer"] == ["unanswered"]
    with pytest.raises(NotUnderstood, match="say why"):
        session.enter("no")


def test_undo_takes_back_whole_lines_and_stands_where_it_stood(seats_session):
    session = seats_session
    session.enter("25.001 25.002 0.8")
    before = session.progress.content()
    session.enter("#3 25.003 25.004")
    session.enter("undo wrong part")
    after = session.progress.content()

    assert {**after, "line": 0} == {**before, "line": 0}
    assert len(told(session)) == 3
    with session.ledger.reading() as reader:
        taken = [e for e in reader.entries(session.run.id) if e.kind == "withdrawn"]
    assert {e.note for e in taken} == {"wrong part"}
    session.enter("undo")
    assert told(session) == []
    with pytest.raises(NotUnderstood, match="nothing typed here"):
        session.enter("undo")


@pytest.fixture(params=["of the run's own files", "of another run"])
def many_lines(request, ledger):
    """Adds more lines to the ledger than anybody looks through one by one."""

    def add(session):
        with ledger.writing() as writer:
            run = session.run
            if request.param == "of another run":
                run = writer.begin_run("another", session.plan)
            source = writer.add_source(run.id, Source("day.csv", "0" * 64, 600), size=1)
            first = session.progress.made + 1
            told = [
                Entry("reading", part, str(part), what="seat", value=1.0, text="1", source=source)
                for part in range(first, first + 600)
            ]
            writer.append(run.id, told)

    return add


def test_the_line_typed_last_is_known_whatever_was_stored_since(session, many_lines, clock):
    session.enter("25.001")
    session.enter("#2 25.002")
    session.enter("offset -3")
    many_lines(session)
    later = Session(session.ledger, session.plan, session.run, clock=clock, attended=True)

    assert later.last_line.startswith("offset -3 µm after part 2, stored 2")
    assert "says the same" in later.enter("offset -3").question
    later.enter("no")
    # Which part it was is said where others came after it.
    of = " of part 2" if later.progress.made > 2 else ""
    assert later.enter("undo").said == f"taken back: offset{of}"
    assert later.enter("undo").said == f"taken back: 25.002{of}"
    assert "taken back: 25.001" in later.enter("undo").said
    with pytest.raises(NotUnderstood, match="nothing typed here"):
        later.enter("undo")
    assert len(readings(later)) in (0, 600)


@pytest.mark.parametrize("many_lines", ["of another run"], indirect=True)
def test_an_offset_is_known_as_stored_whatever_was_stored_since(session, many_lines):
    session.enter("25.001")
    session.enter("offset -3")
    many_lines(session)
    session.enter("note tea")

    assert "same offset again?" in session.enter("offset -3").question


def test_undo_of_a_part_takes_back_its_readings_and_no_other_line(seats_session):
    session = seats_session
    for part in range(1, 6):
        session.enter(f"#{part + 100} 25.00{part} 25.001")
    reply = session.enter("undo #103 wrong gauge")

    assert reply.said == "taken back: 25.003, 25.001 of part 103"
    assert [e[1] for e in told(session) if e[0] == "reading"] == [1, 1, 2, 2, 4, 4, 5, 5]
    assert (session.progress.made, session.progress.ahead) == (5, 100)
    before = told(session)
    for text in ("undo part 103", "undo #900", "undo #7", "undo #99999999999999999999"):
        with pytest.raises(NotUnderstood, match="is left to take back"):
            session.enter(text)
    assert told(session) == before
    session.enter("undo part 105")
    assert session.progress.made == 4


def test_undo_says_what_it_took_back_of_a_line_that_is_no_reading(session):
    session.enter("25.001")
    for text, said in (("ground 2", "ground up to part 3"), ("dress", "dress")):
        session.enter(text)
        assert session.enter("undo").said == f"taken back: {said}"


def random_line(rng):
    return rng.choice(
        [f"{rng.gauss(0.5, 1.5):.1f}"] * 12
        + ["dress", "offset -2", "offset 1.5", "pause 20", "again", "ground 3", "undo", "note x",
           "done", "no time", "batch", "14", "cleared", "wheel", "master", "y"]
    )  # fmt: skip


def type_in(session, line):
    try:
        session.enter(line, sure=True)
    except NotUnderstood:
        return


@settings(max_examples=6, deadline=None,
          suppress_health_check=[HealthCheck.function_scoped_fixture])  # fmt: skip
@given(seed=st.integers(0, 10**6))
def test_a_restart_anywhere_leaves_the_advice_of_an_unbroken_run(tmp_path, job, clock, seed):
    plan = job()
    with Ledger(tmp_path / f"{seed}.db") as ledger:
        run = run_for(ledger, plan, name="one")
        whole = Session(ledger, plan, run, clock=clock)
        rng = random.Random(seed)
        for _ in range(60):
            line = random_line(rng)
            type_in(whole, line)
            fresh = Session(ledger, plan, run, clock=clock)
            assert fresh.progress.content() == whole.progress.content()
            assert fresh.advice == whole.advice
            assert fresh.due == whole.due or whole.turn.part is not None


@pytest.mark.parametrize("seed", range(2))
def test_the_state_kept_is_what_a_replay_of_the_entries_gives(session, seed):
    rng = random.Random(seed)
    for _ in range(60):
        type_in(session, random_line(rng))

    replayed = Progress.fresh(session.run, session.plan)
    for entry in stored(session):
        replayed.tell(entry)
    replayed.line = session.progress.line

    assert replayed.content() == session.progress.content()
    assert replayed.advisor.advise() == session.advice


def test_the_adviser_hears_what_the_plain_calls_would_tell_it(session):
    advisor = advisor_for(session.plan)
    for text in ("0.5", "1.5", "2"):
        session.enter(f"#{session.progress.made + 2} {text}")
        minute = session.clock.now / 60e6
        while advisor.state()["made"] < session.progress.made - 1:
            advisor.part()
        advisor.part(minute=minute)
        advisor.reading("seat", float(text))

    assert advisor.state() == session.progress.advisor.state()


def test_two_sessions_on_one_run_hear_each_other(begin, ledger, job, clock):
    one = begin()
    two = Session(ledger, one.plan, one.run, clock=clock)
    one.enter("25.001")
    two.enter("25.002")
    one.enter("25.003")

    assert [value for *_, value in readings(one)] == [1.0, 2.0, 3.0]
    fresh = Session(ledger, one.plan, one.run, clock=clock)
    assert fresh.progress.content() == one.progress.content()


def test_a_store_that_fails_leaves_session_and_ledger_as_they_were(session, monkeypatch):
    session.enter("25.001")
    before = session.progress.content()

    def full(*_details):
        raise StoreBusy("the disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(Writer, "keep_state", full)
        with pytest.raises(SpcError, match="full"):
            session.enter("25.002")

    assert session.progress.content() == before
    assert len(told(session)) == 1
    session.enter("25.002")
    assert verify(session.ledger).faults == ()


def test_a_clock_set_back_loses_and_overwrites_nothing(session):
    session.enter("25.001")
    session.clock.now -= 3_600_000_000
    session.enter("25.002")
    session.enter("undo")
    session.enter("25.003")

    assert [e[3] for e in told(session)] == [1.0, 3.0]
    assert verify(session.ledger).faults == ()


def test_odd_names_are_only_text(session):
    session.enter("note ../../etc/passwd '; DROP TABLE entries; -- \x1b[2J")

    assert told(session)[-1][2] == "note"
    assert verify(session.ledger).faults == ()


def test_a_new_run_starts_from_what_the_last_one_learned(begin, ledger):
    session = begin()
    for _ in range(12):
        session.enter("0.5")
    later = run_for(ledger, session.plan, new=True)

    assert later.name.endswith("-2")
    assert list(later.learned) == [session.progress.advisor.learned()]
    assert run_for(ledger, session.plan).id == later.id


def test_a_run_belongs_to_the_plan_version_it_was_made_under(begin, ledger, job):
    session = begin()
    changed = job(Path(session.plan.source).read_text() + "# changed\n")

    assert run_for(ledger, changed).id != session.run.id
    with pytest.raises(SpcError, match="another version of the plan"):
        run_for(ledger, changed, name=session.run.name)
