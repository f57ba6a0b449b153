"""What goes with advice."""

import pytest

from spc.adviser.advice import Advice
from spc.advising import advisor_for, register_in, with_hold
from spc.along_run import follow
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
    ("told", "goes_with_it"),
    [({"offset_um": -3.0}, "offset"), ({"runner_up": "dress"}, "dress"), ({}, ""),
     ({"runner_up": "dress", "cost_difference": 0.3}, "")],
)  # fmt: skip
def test_with_a_hold_goes_a_move_or_the_dress_that_is_due(told, goes_with_it):
    assert with_hold(Advice("hold", **told)) == goes_with_it
    assert with_hold(Advice("offset", **told)) == ""


TWO = PLAN.replace(
    b"lower = -0.008\n",
    b"""lower = -0.008
register = "X1"

[[feature]]
name = "collar"
nominal = 60.0
upper = 0.008
lower = -0.008
register = "X12"
""",
)


@pytest.mark.parametrize(
    ("note", "register"),
    [("X1", "X1"), ("x12 after the dress", "X12"), ("X1: burr", "X1"), ("X123", None), ("", None),
     ("axis X1", None)],
)  # fmt: skip
def test_the_note_of_an_offset_names_its_register(note, register):
    assert register_in(note, read_plan(TWO, source="ring.toml")) == register
    assert register_in(note, read_plan(PLAN, source="ring.toml")) is None


@pytest.mark.parametrize("note", ["X12", "X1"])
def test_an_offset_of_a_recorded_run_moves_the_register_that_its_note_names(make_run, note):
    plan = read_plan(TWO, source="ring.toml")
    readings = [
        (part, name, 5.5 * (name == "collar"))
        for part in range(1, 6)
        for name in ("seat", "collar")
    ]
    run = make_run(readings, [(5, "offset", {"um": -4.0, "note": note})])
    advice = follow(advisor_for(plan), run, plan, 5).advice

    # The collar was brought back; or the seat was sent away, and the collar stands where it stood.
    assert (advice.action == "grind_on") == (note == "X12")
