import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from spc.dress_cycles import cycle_of, dress_cycles, since_dress
from spc.errors import PlanError
from spc.findings import plain
from spc.more_charts.catalogue import _MAKERS, more_charts
from spc.more_charts.told import limits_told
from spc.one_feature import base_of, follow_wheel, single_parts
from spc.plan import MORE_CHARTS, read_plan
from spc.run import Run
from spc.series import Series
from spc.sigma import c4, d2

approx = pytest.approx

PLAN = """
[job]
part = "Invented bush"
[charts]
{charts}
[[feature]]
name = "seat"
nominal = 25.0
upper = 0.008
lower = -0.008
unit = "mm"
"""


def plan_with(*also, **keys):
    lines = [f"also = {json.dumps(also)}", *(f"{key} = {value}" for key, value in keys.items())]
    return read_plan(PLAN.format(charts="\n".join(lines)).encode(), source="bush.toml")


def series_from(y, dresses=(0,)):
    """Every part measured, a dress after each of these."""
    parts = np.arange(1, len(y) + 1)
    cycles = dress_cycles(len(y), np.array(dresses), ["dress"] * len(dresses))
    y = np.asarray(y, dtype=float)
    return Series(
        parts=parts,
        deviation_um=y,
        readings=np.ones(len(y), dtype=np.int64),
        time=np.full(len(y), np.datetime64("NaT"), dtype="datetime64[us]"),
        cycle=cycle_of(parts, cycles),
        since_dress=since_dress(parts, cycles),
        bare_um=y,
        misread=np.empty(0, dtype=np.int64),
    )


def worn(seed=3, parts=200, every=50, wear=0.05, sd=0.5, shift=None):
    """Wear and chance; `shift` is (first part, last part, µm)."""
    at = np.arange(parts)
    y = wear * (at % every) + np.random.default_rng(seed).normal(0, sd, parts)
    if shift:
        y[shift[0] - 1 : shift[1]] += shift[2]
    return series_from(y, range(0, parts, every))


def asked(plan, series, run=None):
    feature = plan.features[0]
    span, words = base_of(plan, series)
    sloping, _, _ = follow_wheel(plan, feature, series, span, words)
    pair = single_parts(series, sloping, span)
    found = more_charts(plan, feature, series, sloping=sloping, individuals=pair, run=run)
    return sloping, {each.name: each for each in found}


def test_an_unknown_chart_is_refused_with_those_there_are():
    with pytest.raises(PlanError, match=r"no chart 'emwa'; there are: ewma, cusum, means_ranges"):
        plan_with("ewma", "emwa")


def test_a_group_of_one_part_is_refused():
    with pytest.raises(PlanError, match="group = 1"):
        plan_with("medians", group=1)


def test_every_chart_that_a_plan_can_name_can_be_made():
    assert tuple(_MAKERS) == MORE_CHARTS

    _, found = asked(plan_with(*MORE_CHARTS), worn())

    assert tuple(found) == MORE_CHARTS
    for name, more in found.items():
        assert more.charts or name == "between_within"
        assert all(len(chart.values) == len(more.parts) for chart in more.charts)
        assert more.remarks
        json.dumps(plain(limits_told(more)), allow_nan=False)


def test_nothing_is_made_unasked(monkeypatch):
    monkeypatch.setattr("spc.more_charts.catalogue._MAKERS", {})

    assert asked(plan_with(), worn())[1] == {}


def test_too_short_a_run_has_no_more_charts():
    assert asked(plan_with("ewma"), series_from([0.1, 0.2, 0.0]))[1] == {}


def test_expected_wear_does_not_signal_about_the_lines_and_is_named_about_a_fixed_centre():
    plan = plan_with("ewma", "cusum", "means_ranges", "medians", "from_nominal")

    _, found = asked(plan, worn(wear=0.3))

    for name in ("ewma", "cusum", "means_ranges", "medians"):
        assert not found[name].charts[0].beyond.any(), name
        assert any("expected drift does not signal" in word for word in found[name].remarks)
    assert found["from_nominal"].charts[0].beyond.sum() > 50
    assert "wear of 0.3 µm a part alone meets limits" in found["from_nominal"].remarks[0]


def test_the_weighted_mean_is_that_of_a_plain_loop_begun_anew_at_each_dress():
    series = worn()
    sloping, found = asked(plan_with("ewma"), series)
    chart = found["ewma"].charts[0]

    z, since, before = 0.0, 0, -1
    for i, away in enumerate(sloping.values - sloping.center):
        if series.cycle[i] != before:
            z, since, before = 0.0, 0, series.cycle[i]
        since += 1
        z = 0.2 * away + 0.8 * z
        # Variance of the weighted mean of so many points, Roberts 1959 (from memory).
        se = sloping.sigma * np.sqrt(0.2 / 1.8 * (1 - 0.8 ** (2 * since)))
        assert chart.values[i] == approx(z, abs=1e-9)
        assert chart.upper[i] == approx(2.86 * se)
    assert (chart.base.first, chart.base.last) == (0, 39)
    assert any(
        "anew at each dress, here after some 50 points" in word for word in found["ewma"].remarks
    )
    assert not chart.changes


@pytest.mark.parametrize("name", ["ewma", "cusum", "widened", "innovations"])
def test_what_goes_wrong_before_a_dress_calls_for_nothing_after_it(name):
    # The last dress cycle begins with part 151; the parts before it run away from their line.
    found = asked(plan_with(name), worn(shift=(140, 150, 15.0)))[1][name]
    quiet = asked(plan_with(name), worn())[1][name]

    # The common part of the lines' slopes moves by some hundredths; the shift was of 15 um.
    after = found.parts > 150
    for chart, calm in zip(found.charts, quiet.charts, strict=True):
        assert chart.values[after] == approx(calm.values[after], abs=1.0, nan_ok=True)
        assert chart.upper[after] == approx(calm.upper[after], abs=0.2, nan_ok=True)
    assert any(chart.beyond[~after].any() for chart in found.charts)


def test_sums_say_since_when_a_shift_lasts():
    # The last dress cycle begins with part 151; the shift comes with part 186.
    _, found = asked(plan_with("cusum"), worn(shift=(186, 200, 2.0)))
    up, down = found["cusum"].charts

    assert up.beyond.any()
    assert (down.values <= 0).all()
    assert "upwards" in found["cusum"].remarks[0]
    since = int(found["cusum"].remarks[0].split("since part ")[1].split(",")[0])
    assert 183 <= since <= 189


def test_parts_on_either_side_of_a_dress_are_no_neighbours():
    # In cycles of three, lines drawn through their own parts make neighbours lean apart.
    series = worn(parts=120, every=3, wear=0.0)
    sloping, found = asked(plan_with("innovations"), series)
    about = (sloping.values - sloping.center)[:40]

    said = float(found["innovations"].remarks[0].split("base span ")[1].split(":")[0].split(",")[0])

    inside = [about[i] * about[i + 1] for i in range(39) if (i + 1) % 3]
    away = about - about.mean()
    assert said == approx(np.sum(inside) / (away @ away) * 40 / (len(inside) + 1), abs=0.05)


@pytest.mark.parametrize("every", [1, 2])
@pytest.mark.parametrize("name", MORE_CHARTS)
def test_cycles_of_one_or_two_parts_make_no_chart_fail(name, every):
    _, found = asked(plan_with(name), worn(parts=60, every=every))

    assert not found or found[name].charts or "not enough yet" in found[name].remarks[0]


def test_the_run_lengths_said_are_those_computed():
    _, found = asked(plan_with("ewma", "cusum"), worn())

    # Known: h = 4.77, k = 0.5 for 370 points (Hawkins 1993, from memory), one sigma after 9.9.
    assert "run length 369 points" in " ".join(found["cusum"].remarks)
    assert "one sigma, 0.6 µm, shows after 9.9 points" in " ".join(found["cusum"].remarks)
    assert "run length 366 points" in " ".join(found["ewma"].remarks)


def test_groups_stay_inside_a_dress_cycle_and_parts_left_over_are_said():
    series = worn(parts=100, every=23)

    _, found = asked(plan_with("means_ranges"), series)
    more = found["means_ranges"]

    # Cycles of 23, 23, 23, 23 and 8 parts: four groups of five in each of the first, one in the
    # last; three parts are left over five times.
    assert more.firsts.tolist()[:5] == [1, 6, 11, 16, 24]
    assert more.parts.tolist()[:5] == [5, 10, 15, 20, 28]
    assert len(more.parts) == 17
    assert any("15 measured parts were left over" in word for word in more.remarks)


def test_limits_of_groups_come_from_the_base_span_alone():
    series = worn(parts=100, every=50)
    later = replace(series, bare_um=series.bare_um.copy())
    later.bare_um[60:] += np.where(np.arange(40) % 2, 9.0, -9.0)

    sloping, found = asked(plan_with("means_ranges", "means_deviations"), series)
    _, wild = asked(plan_with("means_ranges"), later)

    about = (sloping.values - sloping.center)[:40].reshape(8, 5)
    ranges, deviations = np.ptp(about, axis=1), about.std(axis=1, ddof=1)
    assert found["means_ranges"].charts[0].sigma == approx(ranges.mean() / d2(5))
    assert found["means_deviations"].charts[0].sigma == approx(deviations.mean() / c4(5))
    # The common slope comes from the whole run; all else from the base span.
    here, there = (each["means_ranges"].charts[1].upper[0] for each in (found, wild))
    assert there == approx(here, rel=1e-3)
    assert (found["means_ranges"].charts[0].base.last, len(found["means_ranges"].parts)) == (7, 20)


def test_a_group_with_a_part_left_out_of_the_base_gives_no_limits():
    series = worn()
    series.bare_um[12] += 9.0

    sloping, found = asked(plan_with("medians"), series)

    assert sloping.base.excluded == (12,)
    assert found["medians"].charts[0].base.excluded == (2,)


def test_too_few_groups_say_what_is_needed():
    _, found = asked(plan_with("means_ranges", group=30), worn())

    assert found["means_ranges"].charts == ()
    assert "not enough yet: limits need 2 groups of 30" in found["means_ranges"].remarks[0]


def test_acceptance_limits_stand_inside_the_tolerance():
    _, found = asked(plan_with("acceptance", "modified_limits"), worn())
    acceptance, modified = found["acceptance"], found["modified_limits"]
    sigma = acceptance.charts[0].sigma

    # z of 0.00135 is 3, of 0.05 is 1.6449, of 0.01 is 2.3263 (normal tables).
    levels = dict(acceptance.levels[-2:])
    assert levels["acceptable"] == approx(8 - 3 * sigma, abs=1e-3)
    assert levels["rejectable"] == approx(8 - 2.3263 * sigma, abs=1e-3)
    assert acceptance.charts[0].upper[0] == approx(8 - (3 - 1.6449 / np.sqrt(5)) * sigma, abs=1e-3)
    assert modified.charts[0].upper[0] == approx(8 - (3 - 3 / np.sqrt(5)) * sigma, abs=1e-3)


def test_too_narrow_a_tolerance_gives_no_acceptance_limits():
    text = PLAN.format(charts='also = ["acceptance"]').replace("0.008", "0.001")

    _, found = asked(read_plan(text.encode(), source="bush.toml"), worn())

    assert found["acceptance"].charts == ()
    assert "too narrow" in found["acceptance"].remarks[0]


def test_no_step_is_taken_across_a_dress():
    _, found = asked(plan_with("from_nominal"), worn())

    assert np.flatnonzero(np.isnan(found["from_nominal"].charts[1].values)).tolist() == [
        0, 50, 100, 150,
    ]  # fmt: skip


def test_standardised_points_are_distances_from_the_target_in_sigmas_of_the_base():
    series = worn()
    _, found = asked(plan_with("standardised"), series)
    more = found["standardised"]
    steps = np.abs(np.diff(series.deviation_um[:40]))

    assert more.unit == "sigmas"
    assert more.charts[0].values == approx(series.deviation_um / (steps.mean() / d2(2)))


def test_spread_within_parts_comes_from_their_own_readings():
    series = worn()
    rng = np.random.default_rng(8)
    twice = np.repeat(series.parts, 2)
    read = np.repeat(series.deviation_um, 2) + rng.normal(0, 0.2, 400)
    table = pd.DataFrame({"part": twice, "feature": "seat", "deviation_um": read})
    empty = pd.DataFrame()
    mean = read.reshape(-1, 2).mean(axis=1)
    series = replace(series, deviation_um=mean, bare_um=mean, readings=np.full(200, 2))

    run = Run(table, empty, empty, {}, (), ())
    _, found = asked(plan_with("between_within"), series, run)
    level, steps, within = found["between_within"].charts

    # No step to a part that follows a dress: the first, and parts 51, 101 and 151.
    assert np.flatnonzero(np.isnan(steps.values)).tolist() == [0, 50, 100, 150]
    assert within.values == approx(np.ptp(read.reshape(-1, 2), axis=1))
    # Mean range of the base over d2 = 1.128.
    assert within.sigma == approx(within.values[:40].mean() / 1.12838, rel=1e-4)
    assert level.statistic == "individual"
    assert "spread within a part 0." in found["between_within"].remarks[0]


def test_parts_read_once_have_no_spread_within():
    _, found = asked(plan_with("between_within"), worn())

    assert found["between_within"].charts == ()
    assert "not enough yet: 0 parts with several readings" in found["between_within"].remarks[0]


def test_alike_neighbours_widen_limits_and_independent_ones_are_said_to_need_none():
    rng = np.random.default_rng(4)
    away = np.zeros(400)
    for i in range(1, 400):
        away[i] = 0.8 * away[i - 1] + rng.normal(0, 0.3)
    plan = plan_with("widened", "innovations", base=[1, 300])

    _, alike = asked(plan, series_from(away))
    _, free = asked(plan, series_from(rng.normal(0, 0.5, 400)))

    assert "they are alike" in alike["widened"].remarks[0]
    # The innovations of this invented process have a spread of 0.3, its parts one of 0.3 / 0.6.
    assert alike["innovations"].charts[0].sigma == approx(0.3, rel=0.1)
    assert alike["widened"].charts[0].sigma == approx(0.5, rel=0.15)
    assert "the plain limits would serve" in free["widened"].remarks[0]


def test_frozen_limits_are_taken_and_their_change_is_marked():
    text = PLAN.format(charts='also = ["ewma", "cusum", "means_ranges"]') + "".join(
        f'\n[[charts.limits]]\nfeature = "seat"\nsigma_um = {sigma}\nfrom_part = {part}\n'
        f'why = "{why}"\n'
        for sigma, part, why in ((0.5, 1, "first"), (0.4, 101, "new diamond"))
    )

    _, found = asked(read_plan(text.encode(), source="bush.toml"), worn())

    for more in found.values():
        for chart in more.charts:
            assert [each.says for each in chart.changes] == ["new diamond"]
            assert more.firsts[chart.changes[0].position] == 101
            assert chart.sigma == 0.4
            assert chart.base is None
    means = found["means_ranges"].charts[0]
    assert (means.upper[0], means.upper[-1]) == approx((1.5 / 5**0.5, 1.2 / 5**0.5))
