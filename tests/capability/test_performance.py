import numpy as np
import pytest

from spc.capability.assessment import assess
from spc.capability.could_be import could_be, flat_reach
from spc.capability.fit_test import best_fit
from spc.capability.indices import QUANTILES, quantile_indices
from spc.capability.performance import _by_bootstrap, bounding_fits
from spc.capability.question import Question
from spc.capability.shapes import FAMILIES, FOR_ZERO_BOUNDED, Shape
from spc.capability.time_parts import take_apart


def shape_coverage(name, theta, n, *, step=None, runs=150):
    """How often the bounds of Ppk hold the true value, whichever shape was chosen."""
    generator = np.random.default_rng(n)
    shape = Shape(FAMILIES[name], theta)
    _, middle, high = (float(q) for q in shape.quantile(QUANTILES))
    upper = middle + 1.33 * (high - middle)
    inside = 0
    for _ in range(runs):
        x = shape.quantile(generator.uniform(size=n))
        x = x if step is None else np.round(x / step) * step
        asked = Question(x, None, upper, None, True, zero_bounded=True, step=step)
        found = best_fit(
            (name, "half normal") if name == "folded normal" else (name,), x, step=step
        )
        if found is None:
            runs -= 1
            continue
        _, ppk, _ = _by_bootstrap(asked, found.shape, bounding_fits(asked, found))
        inside += ppk.lower <= 1.33 <= ppk.upper
    return inside / runs


@pytest.mark.slow
@pytest.mark.parametrize("n", [50, 125, 500])
@pytest.mark.parametrize(
    ("name", "theta", "step"),
    [
        ("folded normal", (0.0, 1.0), 0.1),
        ("folded normal", (0.5, 1.0), 0.1),
        ("folded normal", (2.0, 1.0), 0.1),
        ("Weibull", (2.0, 1.5), None),
        ("Weibull", (1.2, 1.5), 0.1),
        ("lognormal", (0.0, 0.4), None),
        ("Rayleigh", (1.0,), 0.2),
    ],
)
def test_bounds_through_a_fitted_shape_cover(name, theta, step, n):
    # Standard error of 150 runs: 1.8 %.
    assert 0.90 <= shape_coverage(name, theta, n, step=step) <= 0.995


def cycles_coverage(cycles, *, drift, dress, runs=150, length=40, every=1):
    """How often the bounds of Ppk hold the truth of an invented sawtooth with dress scatter."""
    generator = np.random.default_rng(cycles)
    spread = np.sqrt(1 + dress**2)
    truth = Shape(FAMILIES["flattened normal"], (0.7, spread, max(drift, 1e-9)))
    low, middle, high = (float(q) for q in truth.quantile(QUANTILES))
    limit = 1.33 * (high - low) / 2
    true = quantile_indices(low, middle, high, lower=-limit, upper=limit)
    cycle = np.repeat(np.arange(cycles), length)
    since = np.tile(np.arange(1, length + 1), cycles)
    pick = slice(None, None, every)
    inside = []
    for _ in range(runs):
        y = 0.7 + generator.normal(size=cycles * length) + drift * ((since - 0.5) / length - 0.5)
        y = y + dress * generator.normal(size=cycles)[cycle]
        found = assess(
            y[pick], cycle=cycle[pick], since_dress=since[pick], lower=-limit, upper=limit,
            target=0.0, stable=True,
        ).total  # fmt: skip
        inside.append(
            (
                found.cp.lower <= true.pp <= found.cp.upper,
                found.cpk.lower <= true.ppk <= found.cpk.upper,
            )
        )
    return np.mean(inside, axis=0)


@pytest.mark.slow
@pytest.mark.parametrize("cycles", [5, 10, 30])
@pytest.mark.parametrize(("drift", "dress"), [(4.0, 0.0), (4.0, 1.0), (2.0, 0.5)])
def test_bounds_of_a_drifting_run_cover(cycles, drift, dress):
    # Few cycles give careful bounds (up to 100 %). Standard error of 150 runs: 1.8 %.
    assert np.all(cycles_coverage(cycles, drift=drift, dress=dress) >= 0.91)


def test_bounds_of_a_drifting_run_widen_with_few_dress_cycles():
    def width(cycles, length):
        cycle = np.repeat(np.arange(cycles), length)
        since = np.tile(np.arange(1, length + 1), cycles)
        level = np.tile([-1.0, 1.0], cycles)[:cycles]
        y = np.random.default_rng(2).normal(size=len(cycle)) + level[cycle] + 4 * since / length
        index = assess(
            y, cycle=cycle, since_dress=since, lower=-10, upper=14, target=2, stable=True
        ).total.cpk
        return (index.upper - index.lower) / index.value

    assert width(4, 150) > 1.5 * width(16, 40)


def test_reach_of_a_flattened_shape():
    assert flat_reach(0.0) == pytest.approx(3.0)
    assert flat_reach(1.0) == pytest.approx(3**0.5, rel=0.02)
    four = 16 / 12 / (1 + 16 / 12)
    assert 2 * flat_reach(four) * np.sqrt(1 + 16 / 12) == pytest.approx(8.3, abs=0.05)


def test_truths_gather_about_what_was_seen():
    cycle, since = np.repeat(np.arange(30), 40), np.tile(np.arange(1, 41), 30)
    generator = np.random.default_rng(3)
    y = generator.normal(size=1200) + 0.8 * generator.normal(size=30)[cycle] + since / 10
    parts = take_apart(y, cycle=cycle, since_dress=since)

    truths = could_be(parts)

    assert np.median(truths.level) == pytest.approx(parts.level, abs=0.01)
    assert np.median(truths.within_var) == pytest.approx(parts.within_var, rel=0.01)
    assert np.median(truths.dress_var) == pytest.approx(parts.dress_var, rel=0.1)
    assert np.median(truths.drift_var) == pytest.approx(parts.drift_var, rel=0.02)
    # A thirtieth part of the variance between cycles is the square of the level's error.
    assert truths.level.std() == pytest.approx(np.sqrt(parts.dress_ms / 1200), rel=0.1)


def test_more_than_two_thousand_parts_are_read_off_the_data():
    generator = np.random.default_rng(6)
    y = generator.permutation(
        np.concatenate([generator.normal(-4, 0.5, 1500), generator.normal(4, 0.5, 1500)])
    )
    found = assess(
        y, cycle=np.zeros(3000), since_dress=np.arange(3000), lower=-8, upper=8, target=0,
        stable=True,
    )  # fmt: skip

    low, _, high = np.quantile(y, QUANTILES)
    assert found.total.cp.value == pytest.approx(16 / (high - low))
    assert found.total.cp.lower is None
    assert found.total.cp.upper > found.total.cp.value
    assert found.ppm.lower == 0.0
    assert found.ppm.upper > 1000  # nothing seen in 3,000 proves no less


def test_zero_bounded_growth_over_the_cycle_is_still_judged_from_zero():
    generator = np.random.default_rng(8)
    since = np.tile(np.arange(1, 41), 10)
    y = np.abs(generator.normal(0.8, 0.3, 400)) + since * 0.02
    found = assess(
        y, cycle=np.repeat(np.arange(10), 40), since_dress=since, lower=None, upper=4.0, target=0,
        stable=True, zero_bounded=True,
    )  # fmt: skip

    assert found.model == "C3"
    assert found.compensated.cpk.value is None
    assert found.shape in {FAMILIES[name].name for name in FOR_ZERO_BOUNDED} | {"path of the run"}
