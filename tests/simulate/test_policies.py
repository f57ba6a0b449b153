"""Rules of thumb do what their names say, and the loop does to the machine what they say."""

from collections import Counter

import pytest

from spc.simulate.play import settle
from spc.simulate.policies import Act, BeyondShare, ControlChart, EveryReading, FirstOff

approx = pytest.approx


def told(policy, sizes):
    """Answers of a policy to one reading a part; offsets are entered as advised."""
    answers = []
    for size in sizes:
        policy.part()
        policy.reading("size", size)
        answer = policy.advise()
        answers.append(answer.offset_um if answer.action == "offset" else answer.action)
        if answer.action == "offset":
            policy.event("offset", um=answer.offset_um)
        if answer.action == "dress":
            policy.event("dress")
    return answers


def test_first_off_corrects_once_a_cycle():
    policy = FirstOff(dress_after=4)

    assert told(policy, [3, 5, 5, 5, -2, 9]) == [-3, *["grind_on"] * 2, "dress", 2, "grind_on"]


def test_beyond_a_share_the_whole_distance_is_taken_back():
    policy = BeyondShare(beyond_um=4, dress_after=100, target_um=1)

    assert told(policy, [5, 5.5, -3.5]) == ["grind_on", -4.5, 4.5]


def test_every_reading_is_corrected_once_only():
    policy = EveryReading(dress_after=100)

    assert told(policy, [1.5, -2]) == [-1.5, 2]
    assert policy.advise().action == "grind_on"


@pytest.mark.parametrize(
    ("sizes", "moves"),
    [
        ([0.1, 3.5], ["grind_on", -1.8]),  # beyond three sigma; mean of the last two
        ([0.2, 0.4] * 4 + [0.2], ["grind_on"] * 8 + [-0.3]),  # nine on one side
        ([-1, -0.5, 0, 0.5, 1, 1.5], ["grind_on"] * 5 + [-1.25]),  # six that climb
        ([-1, -0.5, 0, 0, 1, 1.5], ["grind_on"] * 6),
    ],
)
def test_the_chart_corrects_by_the_last_two_when_it_signals(sizes, moves):
    assert told(ControlChart(sigma_um=1, dress_after=100), sizes) == approx_moves(moves)


def approx_moves(moves):
    return [move if isinstance(move, str) else approx(move) for move in moves]


def test_the_chart_begins_anew_after_a_correction():
    moves = told(ControlChart(sigma_um=1, dress_after=100), [0.5] * 8 + [3.5] + [0.5] * 8)

    assert moves == ["grind_on"] * 8 + [approx(-2.0)] + ["grind_on"] * 8


@pytest.mark.parametrize(("clears", "back"), [(False, 6.0), (True, None)])
def test_wear_offsets_are_taken_back_at_the_dress(clears, back):
    policy = BeyondShare(beyond_um=2, dress_after=6, clears=clears)
    # The move after the first part sets the size and stays; those of parts 4 and 5 go.
    told(policy, [5, 0, 0, 3, 3])
    policy.part()

    assert policy.advise() == Act("dress", back, 1)


def test_checks_come_often_at_first_and_never_later_than_the_dress():
    policy = EveryReading(dress_after=9, every=5)
    waits = []
    for part in range(1, 10):
        policy.part()
        if part in (1, 2, 7):
            policy.reading("size", 0.0)
            waits.append(policy.advise().measure_after)

    assert waits == [1, 5, 2]


def test_a_reading_from_before_a_dress_is_not_acted_on_after_it():
    policy = EveryReading(dress_after=1)
    policy.part()
    policy.reading("size", 5.0)
    policy.event("dress")

    assert policy.advise().action == "grind_on"


class Bench:
    """A machine that only writes down what is done to it."""

    def __init__(self):
        self.done = []

    def offset(self, um):
        self.done.append(("offset", um))
        return um

    def dress(self):
        self.done.append("dress")

    def idle(self, minutes):
        self.done.append(("idle", minutes))

    def look(self):
        self.done.append("look")


class Scripted:
    """A policy that gives its answers one after the other."""

    def __init__(self, *answers):
        self.answers = list(answers)
        self.events = []

    def event(self, kind, *, um=None, minutes=None):
        self.events.append((kind, um))

    def advise(self):
        return self.answers.pop(0)


def test_a_doubtful_reading_is_taken_again_before_anything_is_done():
    policy, machine, again = EveryReading(dress_after=100, recheck_um=8), Bench(), []

    def reread():
        again.append(1)
        policy.reading("size", 2.0, again=True)

    policy.part()
    policy.reading("size", 20.0)
    done = Counter()
    settle(policy, machine, reread, done)

    assert machine.done == [("offset", -2.0)]
    assert done == {"measure_again": 1, "offset": 1}


def test_a_dress_takes_its_move_at_once_or_when_asked_after_it():
    told_with_it = Scripted(Act("dress", -3.0))
    asked_after = Scripted(Act("dress"), Act("offset", -3.0))
    for policy in (told_with_it, asked_after):
        machine = Bench()
        settle(policy, machine, lambda: None, Counter())
        assert machine.done == ["dress", ("offset", -3.0)]
        assert policy.events == [("dress", None), ("offset", -3.0)]


def test_a_check_or_a_hold_is_paid_and_the_policy_asked_again():
    checker = Scripted(Act("check"), Act("offset", 1.0))
    holder = Scripted(Act("hold"), Act("offset", 1.0))
    machines = Bench(), Bench()
    settle(checker, machines[0], lambda: None, Counter())
    settle(holder, machines[1], lambda: None, Counter())

    assert machines[0].done == ["look", ("offset", 1.0)]
    assert checker.events == [("master", None), ("offset", 1.0)]
    assert machines[1].done == ["look", ("offset", 1.0)]
    assert holder.events == [("cleared", None), ("offset", 1.0)]


def test_a_cleared_hold_that_parts_must_prove_is_paid_once():
    policy, machine = Scripted(Act("hold"), Act("hold")), Bench()
    settle(policy, machine, lambda: None, Counter())

    assert (machine.done, policy.events) == (["look"], [("cleared", None)])


def test_a_policy_that_goes_round_in_circles_is_left():
    policy = Scripted(*[Act("measure_again")] * 20)
    settle(policy, Bench(), lambda: None, Counter())

    assert len(policy.answers) == 14
