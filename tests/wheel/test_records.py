"""The same records give the same advice, however they come."""

import json

from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from spc.wheel.advice import Advisor, FeatureSettings, MachineSettings, Settings, WheelSettings
from tests.wheel.grinder import Grinder, run, settings

VALUES = st.floats(-12, 12).map(lambda v: round(v, 1))
RECORDS = st.lists(
    st.one_of(
        st.just(("part",)),
        st.tuples(st.just("reading"), VALUES),
        st.tuples(st.just("offset"), st.sampled_from([-3.0, -0.5, 1.0, 4.0])),
        st.tuples(st.sampled_from(["dress", "wheel", "cleared", "master", "batch", "pause"])),
    ),
    max_size=60,
)


def tell(advisor, record):
    match record:
        case ("part",):
            advisor.part()
        case ("reading", value):
            advisor.reading("seat", value)
        case ("offset", um):
            advisor.event("offset", um=um)
        case ("pause",):
            advisor.event("pause", minutes=40.0)
        case (kind,):
            advisor.event(kind)


def plain(advice):
    left = advice.parts_left
    return (
        advice.action, advice.subject, advice.offset_um, advice.amount, advice.measure_after,
        advice.evidence, advice.runner_up, advice.cost_difference,
        None if left is None else (left.low, left.middle, left.high),
    )  # fmt: skip


@effort(max_examples=40, deadline=None)
@given(RECORDS, st.integers(1, 7))
def test_asking_often_or_seldom_or_handing_over_gives_the_same_advice(records, often):
    records = [("part",), *records]
    seldom, asked, handed = (Advisor(settings()) for _ in range(3))
    for number, record in enumerate(records):
        tell(seldom, record)
        tell(asked, record)
        tell(handed, record)
        if number % often == 0:
            asked.advise()
            handed = Advisor(settings(), state=json.loads(json.dumps(handed.state())))

    assert plain(seldom.advise()) == plain(asked.advise()) == plain(handed.advise())
    assert json.dumps(seldom.state()) == json.dumps(handed.state())


@effort(max_examples=25, deadline=None)
@given(RECORDS)
def test_advice_is_always_possible_and_of_the_control(records):
    advisor = Advisor(settings(step=0.5))
    advisor.part()
    for record in records:
        tell(advisor, record)
        advice = advisor.advise()
        if advice.offset_um is not None:
            assert advice.offset_um != 0
            assert abs(advice.offset_um) <= 20
            assert (advice.offset_um / 0.5) % 1 == 0
        assert (advice.measure_after == 0) == (advice.action == "measure_again")


@effort(max_examples=20, deadline=None)
@given(st.lists(VALUES, min_size=1, max_size=30), st.integers(0, 29))
def test_a_bore_is_a_diameter_in_the_mirror(values, dress_at):
    shaft = Advisor(settings(kind="diameter"))
    bore = Advisor(settings(kind="bore"))
    for number, value in enumerate(values):
        for advisor, sign in ((shaft, 1), (bore, -1)):
            advisor.part()
            advisor.reading("seat", sign * value)
            if number == dress_at:
                advisor.event("dress")
        one, other = shaft.advise(), bore.advise()
        assert one.action == other.action
        assert one.offset_um == (None if other.offset_um is None else -other.offset_um)


def test_shifting_drawing_and_readings_together_changes_no_move():
    def seat(target):
        one = FeatureSettings(
            "seat", lower_um=target - 8, upper_um=target + 8, target_um=target, sample=3
        )
        machine = MachineSettings(dress_resets_size=True, dress_clears_offsets=True)
        return Advisor(Settings((one,), machine, WheelSettings(parts_per_dress=60)))

    here, there = seat(0.0), seat(64.0)
    for k in range(30):
        for advisor, target in ((here, 0.0), (there, 64.0)):
            advisor.part()
            advisor.reading("seat", target + 0.25 * k - 2)
        assert here.advise().offset_um == there.advise().offset_um


def test_memory_does_not_grow_with_the_run():
    advisor, grinder = Advisor(settings()), Grinder(2)
    run(advisor, grinder, 1200)
    early = len(json.dumps(advisor.state()))
    run(advisor, grinder, 900)

    assert len(json.dumps(advisor.state())) < 1.1 * early
