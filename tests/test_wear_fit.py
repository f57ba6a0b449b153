"""The process fitted to the dress cycles of one run."""

import numpy as np
import pytest

from spc.adviser.model import GROWTH, SETTLING, SLOPE, Model
from spc.errors import NotEnough
from spc.wear_fit import CyclesFit, MeasuredCycle, WearFit, covariance, split


def cycles(random, *, count=8, parts=40, every=4, drift=0.25, sd=0.8, growth=0.0, slopes=0.0):
    """Cycles of known wear: a level of their own, drift, scatter that grows with age."""
    ages = np.array([1, 2, *range(every, parts + 1, every)])
    made = []
    for number in range(count):
        spread = sd * np.sqrt(1 + growth * (ages / parts) ** 2)
        slope = drift + slopes * random.normal()
        y = random.normal(0, 2) + slope * ages + spread * random.normal(size=len(ages))
        made.append(MeasuredCycle(ages, y, number + 1 < count))
    return made


def test_drift_and_spread_are_found_again():
    fits = [CyclesFit(cycles(np.random.default_rng(seed))).best for seed in range(40)]

    grown = [float(fit.curve_um(40) - fit.curve_um(10)) for fit in fits]
    # The wave may take a share of the scatter: together they are what a reading shows.
    spread = [float(np.hypot(fit.sd_um, fit.wave_sd_um)) for fit in fits]
    assert np.mean(grown) == pytest.approx(7.5, abs=3 * np.std(grown) / 40**0.5)
    assert np.mean(spread) == pytest.approx(0.8, rel=0.1)


def test_growing_spread_and_unequal_drifts_are_told_from_steady_ones():
    random = np.random.default_rng(4)
    steady = CyclesFit(cycles(random, count=20)).best
    growing = CyclesFit(cycles(random, count=20, growth=8.0)).best
    unequal = CyclesFit(cycles(random, count=20, slopes=0.1)).best

    assert growing.sd_at(40) / growing.sd_at(1) > 1.8 > steady.sd_at(40) / steady.sd_at(1)
    assert unequal.slope_sd_um == pytest.approx(0.1, rel=0.6)
    assert steady.slope_sd_um < 0.03


def test_the_level_and_scatter_of_a_cycle_agree_with_a_regression_solved_whole():
    # Second witness: the mixed-model equations (Henderson 1975) solved with every term at once.
    random = np.random.default_rng(7)
    fit = CyclesFit(cycles(random, slopes=0.1, growth=3.0)).best
    cycle = cycles(random)[0]

    found = split(fit, cycle)

    n = cycle.ages.astype(float)
    effects = covariance(fit, n) - np.diag(fit.sd_at(n) ** 2) + 1e-9 * np.eye(len(n))
    noise = np.diag(1 / fit.sd_at(n) ** 2)
    ones = np.ones((len(n), 1))
    left = np.block([[ones.T @ noise @ ones, ones.T @ noise],
                     [noise @ ones, noise + np.linalg.inv(effects)]])  # fmt: skip
    rest = cycle.bare_um - fit.curve_um(n)
    solved = np.linalg.solve(left, np.concatenate([ones.T @ noise @ rest, noise @ rest]))
    assert found.level_um == pytest.approx(solved[0], abs=1e-4)
    assert found.single_um == pytest.approx(rest - solved[0] - solved[1:], abs=1e-3)
    # The own drift alone, as the share of it in the covariance with what its readings show.
    own = fit.slope_sd_um**2 * n @ np.linalg.solve(covariance(fit, n), rest - solved[0])
    assert found.drift_um == pytest.approx(own, abs=1e-4)


def test_the_spread_of_refits_is_the_standard_error_between_cycles():
    random, draws = np.random.default_rng(3), np.random.default_rng(4)
    said, true = [], []
    for _ in range(120):
        fit = CyclesFit(cycles(random, slopes=0.05))
        said.append(np.std([f.curve_um(40) - f.curve_um(10) for f in
                            (fit.drawn(draws) for _ in range(60))]))  # fmt: skip
        true.append(float(fit.best.curve_um(40) - fit.best.curve_um(10)))

    assert np.mean(said) == pytest.approx(np.std(true), rel=0.25)


def test_a_slip_is_left_out_and_counted():
    made = cycles(np.random.default_rng(1))
    made[2].bare_um[5] += 40.0

    fit = CyclesFit(made)

    assert fit.slips == 1
    assert fit.best.sd_um < 1.2


def test_two_finished_cycles_are_not_enough_and_the_running_one_does_not_count():
    made = cycles(np.random.default_rng(1), count=3)

    with pytest.raises(NotEnough, match="2 finished dress cycles"):
        CyclesFit(made)


def test_values_all_alike_are_refused():
    alike = [MeasuredCycle(np.arange(1, 9), np.zeros(8)) for _ in range(4)]

    with pytest.raises(NotEnough, match="no spread"):
        CyclesFit(alike)


def test_the_law_of_the_wear_is_the_advisers():
    model, beta = Model(), np.array([0.2, 1.5, 3.0])
    for age in (1, 30, 500):
        rows = model.design(age, 0.0)[:, 0, [SLOPE, SETTLING, GROWTH]]
        fits = [WearFit(beta, 0.8, life, 1.5, 0.0, 0.0, 0.0) for life in model.life]

        assert [float(fit.curve_um(age)) for fit in fits] == pytest.approx(rows @ beta)
        assert [float(fit.sd_at(age)) for fit in fits] == pytest.approx(
            0.8 * (1 + 1.5 * model.past_life(age))
        )


def test_a_wheel_past_its_life_climbs_and_scatters_as_it_did():
    # Life 30 of 60 parts: 4 µm of growth and twice the spread at the end, on the adviser's law.
    ages, climbs, widths = np.arange(1, 61, 2), [], []
    for seed in range(20):
        random = np.random.default_rng(seed)
        truth = WearFit(np.array([0.1, 1.0, 4.0]), 0.5, 30, 1.0, 0.0, 0.0, 0.0)
        made = [
            MeasuredCycle(
                ages, random.normal(0, 2) + truth.curve_um(ages)
                + truth.sd_at(ages) * random.normal(size=len(ages)), number < 9,
            )
            for number in range(10)
        ]  # fmt: skip
        fit = CyclesFit(made).best
        climbs.append(float(np.diff(fit.curve_um([30, 59]))[0]))
        widths.append(float(fit.sd_at(59) / fit.sd_at(1)))

    # 0.1 x 29 parts of wear and 4 (29/30)^2 of growth, a little drawn in by the prior.
    assert np.mean(climbs) == pytest.approx(2.9 + 3.74, abs=0.3)
    assert np.mean(widths) == pytest.approx(1.97, rel=0.15)
