"""The same records give the same advice, however they come."""

import json

from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from spc.adviser.adviser import Advisor
from tests.adviser.grinder import plan_of

VALUES = st.floats(-12, 12).map(lambda v: round(v, 1))
RECORDS = st.lists(
    st.one_of(
        st.just(("part",)),
        st.tuples(st.just("reading"), VALUES),
        st.tuples(st.just("offset"), st.sampled_from([-3.0, -0.5, 1.0, 4.0])),
        st.tuples(st.sampled_from(["dress", "wheel", "cleared", "master", "batch", "pause"])),
    ),
    max_size=30,
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


@effort(max_examples=15, deadline=None)
@given(RECORDS, st.integers(1, 7))
def test_asking_often_or_seldom_or_handing_over_gives_the_same_advice(records, often):
    records = [("part",), *records]
    seldom, asked, handed = (Advisor(plan_of()) for _ in range(3))
    for number, record in enumerate(records):
        for one in (seldom, asked, handed):
            tell(one, record)
        if number % often == 0:
            asked.advise()
            handed = Advisor(plan_of(), state=json.loads(json.dumps(handed.state())))

    assert seldom.advise() == asked.advise() == handed.advise()
    left = [one.advise().parts_left for one in (seldom, asked, handed)]
    assert left[0] == left[1] == left[2]
    assert json.dumps(seldom.state()) == json.dumps(handed.state())


@effort(max_examples=10, deadline=None)
@given(RECORDS)
def test_advice_is_always_possible_and_of_the_control(records):
    advisor = Advisor(plan_of(step=0.5))
    advisor.part()
    for record in records:
        tell(advisor, record)
        advice = advisor.advise()
        if advice.offset_um is not None:
            assert 0 < abs(advice.offset_um) <= 20
            assert (advice.offset_um / 0.5) % 1 == 0
        assert (advice.measure_after == 0) == (advice.action == "measure_again")


@effort(max_examples=8, deadline=None)
@given(st.lists(VALUES, min_size=1, max_size=15), st.integers(0, 14))
def test_a_bore_is_a_diameter_in_the_mirror(values, dress_at):
    shaft, bore = Advisor(plan_of(kind="diameter")), Advisor(plan_of(kind="bore"))
    for number, value in enumerate(values):
        for advisor, sign in ((shaft, 1), (bore, -1)):
            advisor.part()
            advisor.reading("seat", sign * value)
            if number == dress_at:
                advisor.event("dress")
        one, other = shaft.advise(), bore.advise()
        assert one.action == other.action
        assert one.offset_um == (None if other.offset_um is None else -other.offset_um)
