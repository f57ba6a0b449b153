import numpy as np
import pytest

from spc.dress_cycles import cycle_of, dress_cycles, since_dress
from spc.one_feature import base_of, follow_wheel
from spc.plan import Feature
from spc.series import Series
from spc.stability import in_control, judge, most_by_chance, patterns_for, watch


def worn(rng, parts, dresses, drift=0.05, sd=0.5):
    """A stable invented run: its own level after each dress, wear, normal scatter."""
    numbers = np.arange(1, parts + 1)
    after = np.linspace(0, parts, dresses, endpoint=False).astype(int)
    cycles = dress_cycles(parts, after, ["dress"] * dresses)
    cycle, age = cycle_of(numbers, cycles), since_dress(numbers, cycles)
    y = drift * age + rng.normal(0, 1.0, dresses)[cycle] + rng.normal(0, sd, parts)
    return Series(
        parts=numbers,
        deviation_um=np.round(y, 1),
        readings=np.ones(parts, dtype=np.int64),
        time=np.full(parts, np.datetime64("NaT"), dtype="datetime64[us]"),
        cycle=cycle,
        since_dress=age,
        bare_um=np.round(y, 1),
        misread=np.empty(0, dtype=np.int64),
    )


def called_unstable(plan, series, feature=None):
    feature = feature or plan.feature("seat")
    _, judged, _ = follow_wheel(plan, feature, series, *base_of(plan, series))
    patterns = patterns_for(plan, None)
    return judge(plan, judged, watch(plan, judged, patterns), patterns).stable is False


@pytest.mark.slow
@pytest.mark.parametrize(
    ("parts", "dresses"), [(20, 1), (40, 1), (60, 1), (95, 3), (300, 6), (1000, 1), (1000, 20)]
)
def test_stable_runs_are_seldom_called_unstable(plan, parts, dresses):
    rng = np.random.default_rng(20261125)

    wrong = sum(called_unstable(plan, worn(rng, parts, dresses)) for _ in range(1000))

    # Two ways to a false verdict, 3 % and 1 % at most, on limits estimated from 40 parts.
    assert wrong / 1000 <= 0.03


@pytest.mark.slow
@pytest.mark.parametrize("shape", [4.0, 9.0])
def test_skewed_values_near_zero_are_not_called_unstable_for_their_skew(plan, shape):
    rng = np.random.default_rng(20261127)
    round_ = Feature(name="round", kind="roundness", upper=3.0, unit="um")

    def run():
        series = worn(rng, 300, 1)
        series.bare_um[:] = series.deviation_um[:] = rng.gamma(shape, 1 / shape, 300)
        return series

    wrong = sum(called_unstable(plan, run(), round_) for _ in range(200))

    assert wrong / 200 <= 0.08


@pytest.mark.slow
@pytest.mark.parametrize(
    "wander",
    [
        lambda part: 2.0 * (part > 60),
        lambda part: 1.0 * np.sin(part / 12),
        lambda part: 3.0 * (part == 77),
    ],
    ids=["jump", "wave", "one part"],
)
def test_more_than_wear_is_seen(plan, wander):
    rng = np.random.default_rng(20261126)

    seen = 0
    for _ in range(100):
        series = worn(rng, 120, 1)
        series.bare_um[:] += wander(series.parts)
        seen += called_unstable(plan, series)

    assert seen >= 90


def jumped(parts, good, apart, sd=0.7):
    """A stable invented run, its parts after the first `good` ones standing `apart` off."""
    series = worn(np.random.default_rng(20261202), parts, 1, drift=0.0, sd=sd)
    for values in (series.bare_um, series.deviation_um):
        values[:] += apart * (series.parts > good)
    return series


@pytest.mark.parametrize(("parts", "good"), [(20, 12), (20, 8), (20, 10), (40, 24), (30, 22)])
def test_a_jump_over_many_parts_of_a_short_base_is_not_steady(plan, parts, good):
    series = jumped(parts, good, 24.0)

    chart, _, words = follow_wheel(plan, plan.feature("seat"), series, *base_of(plan, series))

    assert called_unstable(plan, series)
    # Steady parts scatter by 0.7 um; the jump has no part in that.
    assert 0.4 < chart.sigma < 1.0
    assert "in a row that stand 24." in words or "in a row that stand 23." in words
    assert words.count("in a row") == 1


def verdict_on(plan, series):
    _, judged, _ = follow_wheel(plan, plan.feature("seat"), series, *base_of(plan, series))
    patterns = patterns_for(plan, None)
    return judge(plan, judged, watch(plan, judged, patterns), patterns, parts=series.parts)


def test_the_verdict_says_how_many_signals_a_steady_run_may_show(plan):
    series = worn(np.random.default_rng(20261203), 99, 1)

    verdict = verdict_on(plan, series)

    most = most_by_chance(99, 1 / in_control(plan, patterns_for(plan, None)).mean, 38)
    assert verdict.stable
    assert f"and at most {most} in 97 % of steady runs: nothing but wear" in verdict.words


def test_one_extreme_signal_is_said_to_weigh_more_than_several_and_names_its_part(plan):
    series = worn(np.random.default_rng(20261203), 99, 1)
    series.bare_um[70] += 5.0

    verdict = verdict_on(plan, series)

    assert (verdict.stable, verdict.seen) == (False, 1)
    assert "97 % of steady runs: more than steady wear, since one is so extreme" in verdict.words
    assert verdict.words.endswith("however few there are (a point beyond the upper limit, part 71)")


@pytest.mark.parametrize("later", [20, 45, 59])
def test_parts_that_jumped_after_the_base_draw_no_line_of_the_others(plan, later):
    series = jumped(60 + later, 60, 8.6, sd=0.3)

    chart, judged, words = follow_wheel(plan, plan.feature("seat"), series, *base_of(plan, series))

    assert abs(float(np.mean(series.bare_um[:60] - chart.center[:60]))) < 0.15
    assert np.mean(series.bare_um[60:] - chart.center[60:]) == pytest.approx(8.6, abs=0.5)
    assert np.all(judged.z[60:] > 3)
    told = f"drawing no line: parts 61 to {60 + later} (one of {later} in a row that stand 8."
    assert told in words


def test_when_most_of_a_cycle_jumped_the_line_is_theirs_and_sigma_the_base_s(plan):
    series = jumped(180, 60, 8.6, sd=0.3)

    chart, *_ = follow_wheel(plan, plan.feature("seat"), series, *base_of(plan, series))

    assert abs(float(np.mean(series.bare_um[60:] - chart.center[60:]))) < 0.1
    assert 0.2 < chart.sigma < 0.45
    assert not chart.beyond[60:].mean() > 0.03
    assert chart.beyond[:60].all()
