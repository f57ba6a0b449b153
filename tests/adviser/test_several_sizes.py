"""Several sizes in one belief: the worst one decides and is named, registers, order, shares."""

import json

import numpy as np
import pytest

from spc.adviser.adviser import Advisor
from spc.errors import BadRecord
from spc.plan import Plan

approx = pytest.approx


def shaft(*names, registers=(), halves=None, order=None, **machine):
    """The plan of a shaft (invented) with seats of +-8 um on one register or on several."""
    features = []
    for place, name in enumerate(names):
        half = 0.008 if halves is None else halves[place]
        features.append(
            {"name": name, "nominal": 30.0 + place, "upper": half, "lower": -half, "sample": 1}
            | ({"register": registers[place]} if registers else {})
        )
    features = features if order is None else [features[k] for k in order]
    return Plan.model_validate(
        {
            "job": {"part": "Shaft"},
            "feature": features,
            "machine": {
                "offset_step_um": 0.5, "dress_resets_size": True, "dress_clears_offsets": True,
            } | machine,
        }
    )  # fmt: skip


def ground(advisor, parts, levels, *, seed=1, sd=0.7):
    """Parts at levels [um] as functions of the part, doing what is advised; (part, advice)s."""
    rng = np.random.default_rng(seed)
    register = dict.fromkeys(f.moved_by for f in advisor.plan.features)
    register = dict.fromkeys(register, 0.0)
    told = []
    for k in range(1, parts + 1):
        advisor.part()
        noise = {name: sd * rng.standard_normal() for name in sorted(levels)}
        for feature in advisor.plan.features:
            um = levels[feature.name](k) + register[feature.moved_by] + noise[feature.name]
            advisor.reading(feature.name, round(um, 1))
        advice = advisor.advise()
        told.append((k, advice))
        if advice.action == "offset":
            register[advice.register] += advice.offset_um
            advisor.event("offset", um=advice.offset_um, register=advice.register)
        elif advice.action == "dress":
            advisor.event("dress")
    return told


def test_the_seat_that_drifts_by_itself_is_named_and_brought_back():
    advisor = Advisor(shaft("A", "B", "C"))
    told = ground(advisor, 40, {"A": lambda k: 0.0, "B": lambda k: 0.25 * k, "C": lambda k: 0.0})
    acts = [(k, advice) for k, advice in told if advice.is_act]

    assert acts
    first, advice = acts[0]
    assert first < 32  # the limit is reached at part 32
    assert advice.subject == "B"
    if advice.action == "offset":
        assert advice.offset_um < 0


def test_parts_left_are_those_of_the_worst_seat():
    advisor = Advisor(shaft("A", "B"))
    for k in range(1, 26):
        advisor.part()
        advisor.reading("A", 0.1 * (-1) ** k)
        advisor.reading("B", 0.2 * k + 0.1 * (-1) ** k)

    # At 0.2 k with little scatter the limit at 8 lies 15 parts beyond part 25.
    assert advisor.advise().parts_left.middle < 20


def test_each_register_moves_its_own_seat_alone():
    advisor = Advisor(shaft("A", "B", registers=("X1", "X2")))
    told = ground(advisor, 12, {"A": lambda k: 0.0, "B": lambda k: 5.0})
    moves = [advice for _, advice in told if advice.action == "offset"]

    assert moves
    assert moves[0].register == "X2"
    assert moves[0].subject == "B"
    assert moves[0].offset_um == approx(-5.0, abs=2.5)
    assert all(advice.register == "X2" for advice in moves)


def test_no_offset_that_pushes_the_other_seat_out():
    # 12 um apart within limits of +-8: half way is all that one register can do.
    advisor = Advisor(shaft("A", "B"))
    told = ground(advisor, 30, {"A": lambda k: 6.0, "B": lambda k: -6.0})

    assert all(abs(a.offset_um or 0) < 3 for _, a in told if a.action == "offset")
    assert "no one offset serves both" in told[-1][1].evidence


def test_an_offset_in_a_register_that_the_plan_does_not_know_is_refused():
    advisor = Advisor(shaft("A", "B", registers=("X1", "X2")))
    with pytest.raises(BadRecord, match="no offset register 'X3'; the plan has: X1, X2"):
        advisor.event("offset", um=1.0, register="X3")


def test_the_order_of_the_features_changes_no_act():
    names, levels = ("A", "B", "C"), {
        "A": lambda k: 0.05 * k, "B": lambda k: 0.12 * k - 3, "C": lambda k: 1.0,
    }  # fmt: skip
    one = ground(Advisor(shaft(*names)), 60, levels)
    other = ground(Advisor(shaft(*names, order=(2, 0, 1))), 60, levels)

    assert [(a.action, a.offset_um, a.subject) for _, a in one] == [
        (a.action, a.offset_um, a.subject) for _, a in other
    ]


def test_a_seat_with_wide_limits_that_never_moves_changes_hardly_an_act():
    levels = {"A": lambda k: 0.1 * k, "B": lambda k: 0.0}
    alone = ground(Advisor(shaft("A")), 60, {"A": levels["A"]})
    beside = ground(Advisor(shaft("A", "B", halves=(0.008, 0.08))), 60, levels)
    first = [next(k for k, a in told if a.is_act) for told in (alone, beside)]

    assert first[1] == approx(first[0], abs=12)


def test_a_state_with_several_sizes_goes_on_bit_for_bit_and_is_small():
    levels = {name: lambda k: 0.1 * k for name in "ABCD"}
    whole, first = Advisor(shaft(*"ABCD")), Advisor(shaft(*"ABCD"))
    ground(whole, 20, levels)
    ground(first, 20, levels)
    kept = json.dumps(first.state())
    resumed = Advisor(shaft(*"ABCD"), state=json.loads(kept))

    assert ground(whole, 20, levels, seed=2) == ground(resumed, 20, levels, seed=2)
    assert json.dumps(whole.state()) == json.dumps(resumed.state())
    assert len(kept) < 200_000
