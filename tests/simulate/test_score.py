"""The score table: paired, tuned apart, the same on any number of workers."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from spc.simulate import score as scoring
from spc.simulate.contenders import TUNING_SEEDS, Contender, plan_of, play, policy_of, tuned
from spc.simulate.policies import Act, FixedInterval, NoMoveAtDress
from spc.simulate.score import JUDGING_SEEDS, score
from spc.simulate.settings import PRESETS

approx = pytest.approx
S1 = PRESETS["S1"]
QUICK = ("beyond", "every reading", "true state")


@pytest.fixture(scope="module")
def table():
    return score("S1", seeds=(7000, 7001, 7002), parts=400, policies=QUICK)


def test_tuning_and_judging_never_share_a_seed():
    assert set(TUNING_SEEDS).isdisjoint(JUDGING_SEEDS)
    assert len(JUDGING_SEEDS) >= 24


def test_the_lines_of_every_run_add_up(table):
    for line in table.lines:
        for one in line.outcomes:
            assert sum(one.lines.values()) == approx(one.cost)
            assert one.looks * 0.4 == approx(one.lines["measure"])


def test_full_knowledge_is_cheapest_and_the_best_rule_is_named(table):
    assert table.line("true state").cost == min(line.cost for line in table.lines)
    assert table.best_rule.contender.name in ("beyond", "every reading")
    with pytest.raises(ValueError, match="these were: beyond"):
        table.line("adviser")


def test_the_table_has_one_row_a_policy_and_a_figure_under_every_heading(table):
    rows = table.rows()

    assert len(rows) == 1 + len(QUICK)
    assert {len(row) for row in rows} == {len(rows[0])}


def test_two_workers_find_what_one_finds_and_tell_how_far_they_are(table):
    told = []
    again = score(
        "S1", seeds=(7000, 7001, 7002), parts=400, policies=QUICK, workers=2,
        progress=lambda done, total: told.append((done, total)),
    )  # fmt: skip

    assert [line.outcomes for line in again.lines] == [line.outcomes for line in table.lines]
    assert told == [(done, 12) for done in range(1, 13)]


def test_differences_are_paired_by_seed(monkeypatch):
    # With a rule of thumb in the adviser's place the pairing can be checked by hand.
    monkeypatch.setattr(scoring, "ADVISER", "beyond")
    made = score("S1", seeds=(7000, 7001, 7002), parts=300, policies=("beyond", "first off"))
    one, two = made.line("beyond"), made.line("first off")
    more = [b.cost - a.cost for a, b in zip(one.outcomes, two.outcomes, strict=True)]

    assert (one.more, one.more_error) == (0, 0)
    assert (two.more, two.more_error) == approx((np.mean(more), np.std(more, ddof=1) / 3**0.5))


def test_a_tuned_rule_is_no_dearer_on_the_tuning_seeds_than_its_neighbours():
    best = tuned("every reading", S1, 300)

    def cost(contender):
        return np.mean([play(contender, S1, seed, 300).cost for seed in TUNING_SEEDS])

    for other in (replace(best, every=3), replace(best, dress_after=best.dress_after + 20)):
        assert cost(best) <= cost(other)


def test_rules_of_thumb_cost_what_was_found_before():
    # The specification's prototype on S1: half tolerance 0.287 (se 0.006) with checks every 8
    # parts and 31 parts a dress; adjusting every reading, checks every 5: 0.367 (se 0.004). Its
    # noise was other, and here a reading outside the tolerance is taken again.
    half = Contender("beyond", dress_after=31, every=8, beyond=0.5)
    chase = Contender("every reading", dress_after=31, every=5)

    costs = [
        np.mean([play(one, S1, s, 2000).cost for s in range(7000, 7008)]) for one in (half, chase)
    ]

    assert costs == approx([0.287, 0.367], abs=0.04)


def test_the_plan_tells_what_a_shop_knows():
    plan = plan_of(PRESETS["S9"], gauge_factor=2.0)

    assert plan.lead.kind == "bore"
    assert plan.lead.gauge_sd_um == approx(0.6)
    assert (plan.cost.scrap, plan.cost.off_target_loss) == (15, 0.5)


@pytest.mark.parametrize(("how", "said"), [("truly", False), ("wrongly", True), ("unsaid", None)])
def test_the_plan_may_be_wrong_about_the_dress_or_silent(how, said):
    assert plan_of(S1, clears=how).machine.dress_clears_offsets is said


def test_every_contender_of_the_rules_can_be_made():
    for name in ("chart", "beyond", "every reading", "first off"):
        policy = policy_of(Contender(name, dress_after=30, every=5, beyond=0.5), S1)
        policy.part(minute=1.0)
        policy.reading("size", 1.0)
        assert policy.advise().action in ("grind_on", "offset")


class Scripted:
    """A policy that always gives one answer."""

    def __init__(self, answer):
        self.answer = answer
        self.told = Counter()

    def part(self, minute=None):
        self.told["part"] += 1

    def reading(self, feature, value_um, again=False):
        self.told["reading"] += 1

    def event(self, kind, *, um=None, minutes=None):
        self.told[kind] += 1

    def advise(self):
        return self.answer


def test_the_ablations_leave_out_one_thing_only():
    inner = Scripted(Act("grind_on", None, 9))
    fixed = FixedInterval(inner, 5)
    fixed.part(minute=1.0)
    fixed.reading("size", 0.0)
    fixed.event("dress")
    assert fixed.advise() == Act("grind_on", None, 5)
    inner.answer = Act("measure_again", None, 0)
    assert fixed.advise() == inner.answer
    assert inner.told == {"part": 1, "reading": 1, "dress": 1}

    inner.answer = Act("dress", -3.0, 1)
    late = NoMoveAtDress(inner)
    assert late.advise() == Act("dress", None, 1)
    late.event("dress")
    inner.answer = Act("offset", -3.0, 1)
    assert late.advise() == Act("grind_on", None, 1)
    late.part(minute=2.0)
    assert late.advise() == Act("offset", -3.0, 1)
