"""What form and finish say of a wheel, and what a wheel that stays sharp is spared."""

import dataclasses
import json

import numpy as np
import pytest

from spc.wheel.advice import Advisor, FeatureSettings
from spc.wheel.health import FormGrowth
from tests.wheel.grinder import settings


def along(values, *, every=4, life=40, limit=0.5, until=40):
    """A feature read along one cycle; `values` gives its value at an age."""
    form = FormGrowth(limit, life)
    for age in range(1, until + 1, every):
        form.read(values(age), age)
    return form


@pytest.mark.parametrize(
    ("last", "stays"), [(0.35, True), (0.34, True), (0.45, False), (0.52, False)]
)
def test_a_finish_that_ends_where_it_began_stays(last, stays):
    form = along(lambda age: 0.35 * (last / 0.35) ** ((age / 40) ** 1.5))

    assert form.stays is stays


def test_two_values_do_not_say_that_a_finish_stays():
    form = along(lambda age: 0.35, every=20)

    assert form.seen == 2
    assert not form.stays


def test_the_settling_of_a_fresh_wheel_is_no_fall_of_its_finish():
    random = np.random.default_rng(1)

    def settling(age):
        return 0.35 * (1 + 0.2 * np.exp(-age / 2)) * np.exp(0.03 * random.standard_normal())

    falls = [along(settling, every=1, until=until).falls() for until in (20, 24, 28, 32) * 10]
    assert np.mean(falls) < 0.1


def test_a_fall_once_seen_is_not_lost_at_its_edge():
    falls = along(lambda age: 0.35 * np.exp(-0.4 * (age / 40) ** 1.5))
    edge = along(lambda age: 0.35 * np.exp(-0.2 * (age / 40) ** 1.5))

    assert falls.falls()
    assert not edge.falls()
    assert edge.falls(before=True)


def test_a_fall_is_ahead_only_of_cycles_that_were_seen():
    def cycle(form, fall):
        for age in range(1, 37, 4):
            form.read(0.35 * np.exp(-fall * (age / 40) ** 1.5), age)

    form = FormGrowth(0.5, 40)
    for _ in range(2):
        cycle(form, 0.3)
        form.dress()
    cycle(form, 0.6)
    assert not form.ahead_of_habit(33, 40)  # two cycles are no habit
    form.dress()
    cycle(form, 0.3)
    assert not form.ahead_of_habit(33, 40)
    form.dress()
    cycle(form, 0.9)
    assert form.ahead_of_habit(33, 40)


def test_a_record_of_a_time_when_less_was_kept_is_taken_in():
    form = along(lambda age: 0.35)
    kept = form.state()
    for later in ("taught", "last"):
        del kept[later]
    other = FormGrowth(0.5, 40)
    other.resume(json.loads(json.dumps(kept)))

    assert other.growth_now == form.growth_now


# -- in the adviser ----------------------------------------------------------------------------

ROUGH = FeatureSettings("Ra", kind="roughness", upper_um=0.5)
QUIET = [0.3, -0.4, 0.6, -0.5, 0.2, 0.1, -0.7, 0.4, -0.1, 0.5, -0.3, 0.2]


def grinding(advisor, parts, finish, *, read=lambda age: True, spread=1.0, since=0):
    """Advice part by part: sizes about target, and the finish of the parts that are `read`."""
    said = []
    for age in range(since + 1, since + parts + 1):
        advisor.part()
        advisor.reading("seat", spread * QUIET[age % len(QUIET)])
        if read(age):
            advisor.reading("Ra", finish(age))
        said.append(advisor.advise())
    return said


def rough_adviser(**more):
    made = settings(habit=40, sample=1)
    return Advisor(dataclasses.replace(made, features=(*made.features, ROUGH)), **more)


def dressed(**more):
    advisor = rough_adviser(**more)
    advisor.event("dress")
    return advisor


def test_a_wheel_whose_finish_stays_is_ground_to_the_limit():
    said = grinding(dressed(), 60, lambda age: 0.35)

    assert [k for k, advice in enumerate(said, 1) if advice.action == "dress"] == [60]
    assert "the limit is 60, half as many again as the plan's 40" in said[-1].evidence


def test_a_finish_that_stays_spares_a_dress_for_fear_of_a_spread_nobody_saw():
    def dresses(finish):
        ages = []
        for seed in range(8):
            advisor, random = dressed(), np.random.default_rng(seed)
            for age in range(1, 60):
                advisor.part()
                if age > 2 and age % 8:
                    continue
                advisor.reading("seat", round(float(1.2 * random.standard_normal()), 1))
                if finish:
                    advisor.reading("Ra", finish)
                if advisor.advise().action == "dress":
                    ages.append(age)
                    break
        return ages

    assert len(dresses(None)) >= 4
    assert dresses(0.35) == []


def test_a_sharp_wheel_is_not_expected_to_scatter_more():
    sharp, unknown = dressed(), dressed()
    grinding(sharp, 50, lambda age: 0.35)
    grinding(unknown, 50, lambda age: 0.35, read=lambda age: False)

    assert sharp._track.cutting_age == 24  # bends and dulls from there on
    assert unknown._track.cutting_age == 50
    assert sharp._track.noise < unknown._track.noise


def test_what_earlier_runs_saw_of_the_spread_denies_that_a_wheel_is_sharp():
    random = np.random.default_rng(3)
    first = dressed()
    for _ in range(12):
        for age in range(1, 41):
            first.part()
            spread = 0.8 * (1 + 2 * (age / 40) ** 2)
            first.reading("seat", float(spread * random.standard_normal()))
            first.reading("Ra", 0.35)
        first.event("dress")
    later = dressed(history=[first.learned()])
    grinding(later, 45, lambda age: 0.35)

    assert all(form.stays for form in later._track.forms.values())
    assert not later._track.sharp


def test_a_growing_roundness_is_not_hidden_by_a_finish_that_stays():
    made = settings(habit=40, sample=1)
    features = (*made.features, ROUGH, FeatureSettings("R", kind="roundness", upper_um=2.5))
    advisor = Advisor(dataclasses.replace(made, features=features))
    advisor.event("dress")
    for age in range(1, 31):
        advisor.part()
        advisor.reading("seat", QUIET[age % len(QUIET)])
        advisor.reading("Ra", 0.35 * float(np.exp(-0.1 * (age / 40) ** 1.5)))
        advisor.reading("R", 0.8 * float(np.exp(0.6 * (age / 40) ** 1.5)))

    assert not advisor._track.stays_sharp()


def test_a_finish_that_was_not_read_lately_is_asked_for_and_not_dressed_for():
    rising = dressed()

    def finish(age):
        return 0.38 * float(np.exp(0.25 * (age / 40) ** 1.5))

    said = grinding(rising, 34, finish, read=lambda age: age in (1, 5, 9, 13))

    assert all(advice.action != "dress" or "Ra" not in advice.evidence for advice in said)
    asked = [advice.evidence for advice in said if "read Ra with it" in advice.evidence]
    assert asked
    assert "against a limit of 0.50 µm" in asked[0]


def test_a_dress_for_the_finish_names_its_value_limit_and_chance():
    said = grinding(dressed(), 40, lambda age: 0.3 * float(np.exp(0.6 * (age / 40) ** 1.5)))
    dress = next(advice for advice in said if advice.action == "dress")

    assert dress.evidence.startswith("Ra last read 0.")
    assert "against a limit of 0.50 µm, and the parts soon to come are beyond it" in dress.evidence


def test_the_order_of_the_features_of_a_part_changes_nothing_of_the_size():
    one, other = dressed(), dressed()
    for age in range(1, 50):
        readings = [("seat", QUIET[age % len(QUIET)]), ("Ra", 0.35 + 0.01 * (age % 3))]
        for advisor, order in ((one, 1), (other, -1)):
            advisor.part()
            for name, value in readings[::order]:
                advisor.reading(name, value)

    assert one._track.level() == other._track.level()
