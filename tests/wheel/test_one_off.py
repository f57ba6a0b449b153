"""One odd part, against a twin that ground the same parts and never read the odd one."""

import pytest

from spc.wheel.advice import Advisor
from tests.wheel.grinder import settings

QUIET = [0.3, -0.4, 0.6, -0.5, 0.2, 0.1, -0.7, 0.4, -0.1, 0.5, -0.3, 0.2] * 2
#: Little is known yet after a dress, so that an odd part draws the level far.
FRESH = [*QUIET, {"kind": "dress"}, 0.3, -0.4, 0.2]


def fed(readings):
    """An adviser told part by part: no number, one, or two of the same part; or an event."""
    advisor = Advisor(settings(sample=1))
    for reading in readings:
        if isinstance(reading, dict):
            advisor.event(**reading)
            continue
        advisor.part()
        for value in reading if isinstance(reading, tuple) else (reading,):
            if value is not None:
                advisor.reading("seat", value)
    return advisor


def level(advisor):
    return advisor._track.level()


def test_a_part_that_stands_alone_leaves_the_level_where_it_was():
    drawn = fed([*FRESH, (5.4, 5.5)])
    odd = fed([*FRESH, (5.4, 5.5), 0.2])
    twin = fed([*FRESH, None, 0.2])

    assert level(drawn)[0] > level(twin)[0] + 1.0
    assert level(odd)[0] == pytest.approx(level(twin)[0], abs=0.05)
    assert odd.advise().action == "grind_on"


def test_a_move_between_is_followed_with_and_without_the_odd_part():
    move = {"kind": "offset", "um": -1.0}
    odd = fed([*FRESH, (5.4, 5.5), move, -0.9])
    twin = fed([*FRESH, None, move, -0.9])

    assert level(odd)[0] == pytest.approx(level(twin)[0], abs=0.05)


def test_after_a_dress_nothing_of_the_odd_part_is_gone_back_to():
    before, after = (fed([*FRESH, (5.4, 5.5), *then]) for then in ((), ({"kind": "dress"},)))

    assert before._track.one_off.kept is not None
    assert after._track.one_off.kept is None


def test_the_order_of_two_repeats_changes_nothing():
    before = [*QUIET, {"kind": "dress"}, 0.3, -0.4, -3.0]
    one, other = (fed([*before, pair]) for pair in ((0.0, 1.2), (1.2, 0.0)))

    assert level(one) == pytest.approx(level(other), abs=1e-9)


def test_a_part_far_out_says_nothing_of_how_parts_spread():
    told = fed([*QUIET, (12.1, 12.0), {"kind": "cleared"}, 0.2, 0.1, -0.2])
    twin = fed([*QUIET, None, 0.2, 0.1, -0.2])

    assert told._track.noise == pytest.approx(twin._track.noise, rel=0.15)
    assert told.advise().action == "grind_on"
