"""What goes with advice, and when another act is as good."""

import pytest

from spc.adviser.advice import Advice
from spc.adviser.forecast import PartsLeft
from spc.advising import either, with_hold
from spc.plan import read_plan

PLAN = b"""
[job]
part = "Ring"

[[feature]]
name = "seat"
nominal = 40.0
upper = 0.008
lower = -0.008

[cost]
offset = 0.6
"""


@pytest.mark.parametrize(
    ("action", "difference", "left", "as_good"),
    [("offset", 0.05, 9, True), ("offset", 0.3, 9, False), ("offset", 0.05, 0, False),
     ("dress", 0.05, 9, True), ("offset", None, 9, False)],
)  # fmt: skip
def test_either_act_is_fine_where_costs_are_too_close_to_tell(action, difference, left, as_good):
    plan = read_plan(PLAN, source="ring.toml")
    advice = Advice(
        action, runner_up="grind_on", cost_difference=difference,
        _count=lambda: PartsLeft(left, 20, 40),
    )  # fmt: skip

    assert either(advice, plan) is as_good
    dear = plan.model_copy(update={"cost": plan.cost.model_copy(update={"offset": 60.0})})
    hundredfold = None if difference is None else 100 * difference
    assert either(Advice(action, runner_up="grind_on", cost_difference=hundredfold,
                         _count=advice._count), dear) is as_good  # fmt: skip


@pytest.mark.parametrize(
    ("told", "goes_with_it"),
    [({"offset_um": -3.0}, "offset"), ({"runner_up": "dress"}, "dress"), ({}, ""),
     ({"runner_up": "dress", "cost_difference": 0.3}, "")],
)  # fmt: skip
def test_with_a_hold_goes_a_move_or_the_dress_that_is_due(told, goes_with_it):
    assert with_hold(Advice("hold", **told)) == goes_with_it
    assert with_hold(Advice("offset", **told)) == ""
