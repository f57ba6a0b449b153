import numpy as np
import pytest

from spc.capability.fitting import applies, cells, fit, refit
from spc.capability.path import path_shape
from spc.capability.shapes import FAMILIES, Shape

THETA = {
    "normal": (3.0, 2.0),
    "flattened normal": (1.0, 1.0, 4.0),
    "folded normal": (1.0, 1.5),
    "half normal": (0.0, 1.5),
    "Rayleigh": (2.0,),
    "Weibull": (2.5, 3.0),
    "lognormal": (0.5, 0.4),
}


def of_scipy(name):
    from scipy import stats

    return {
        "normal": stats.norm(3.0, 2.0),
        "folded normal": stats.foldnorm(1.0 / 1.5, scale=1.5),
        "half normal": stats.halfnorm(scale=1.5),
        "Rayleigh": stats.rayleigh(scale=2.0),
        "Weibull": stats.weibull_min(2.5, scale=3.0),
        "lognormal": stats.lognorm(0.4, scale=np.exp(0.5)),
    }[name]


@pytest.mark.parametrize("name", sorted(set(THETA) - {"flattened normal"}))
def test_shapes_are_those_of_scipy(name):
    ours, theirs = Shape(FAMILIES[name], THETA[name]), of_scipy(name)
    x = np.linspace(0.01, 12.0, 60)
    p = [1e-4, 0.00135, 0.1, 0.5, 0.9, 0.99865, 0.9999]

    assert ours.cdf(x) == pytest.approx(theirs.cdf(x), rel=1e-10, abs=1e-13)
    assert ours.sf(x) == pytest.approx(theirs.sf(x), rel=1e-9, abs=1e-300)
    assert ours.pdf(x) == pytest.approx(theirs.pdf(x), rel=1e-10)
    assert ours.quantile(p) == pytest.approx(theirs.ppf(p), rel=1e-9)


def test_the_flattened_shape_is_a_uniform_band_under_normal_scatter():
    # Second witness: the convolution by brute integration.
    from scipy.stats import norm

    shape = Shape(FAMILIES["flattened normal"], (1.0, 1.0, 4.0))
    band = 1.0 + 4.0 * ((np.arange(20_000) + 0.5) / 20_000 - 0.5)
    x = np.linspace(-6, 8, 29)

    assert shape.cdf(x) == pytest.approx(norm.cdf(x[:, None] - band).mean(1), abs=1e-9)
    assert shape.pdf(x) == pytest.approx(norm.pdf(x[:, None] - band).mean(1), abs=1e-8)
    assert shape.cdf(shape.quantile([0.00135, 0.3, 0.99865])) == pytest.approx(
        [0.00135, 0.3, 0.99865], rel=1e-9
    )


def test_a_drift_of_four_sigmas_spans_eight_point_three():
    # Own computation (domain notes): quantile span 8.3 sigmas, six total deviations 9.2.
    shape = Shape(FAMILIES["flattened normal"], (0.0, 1.0, 4.0))

    assert np.ptp(shape.quantile([0.00135, 0.99865])) == pytest.approx(8.3, abs=0.05)


def test_a_flattened_shape_without_a_band_is_normal():
    x = np.linspace(-4, 4, 17)
    flat, bell = (
        Shape(FAMILIES["flattened normal"], (0.0, 1.0, 1e-4)),
        Shape(FAMILIES["normal"], (0.0, 1.0)),
    )

    assert flat.cdf(x) == pytest.approx(bell.cdf(x), abs=1e-8)
    assert flat.pdf(x) == pytest.approx(bell.pdf(x), abs=1e-8)


def sample(name, n=400, seed=1):
    share = np.random.default_rng(seed).uniform(size=n)
    return Shape(FAMILIES[name], THETA[name]).quantile(share)


def test_closed_forms_of_maximum_likelihood():
    x = sample("normal")
    found = fit("normal", x).shape.parameters
    assert (found["mean"], found["sd"]) == (
        pytest.approx(x.mean(), abs=1e-6), pytest.approx(x.std(), rel=1e-6),
    )  # fmt: skip

    x = sample("lognormal")
    found = fit("lognormal", x).shape.parameters
    assert found["mean_log"] == pytest.approx(np.log(x).mean(), abs=1e-6)
    assert found["sd_log"] == pytest.approx(np.log(x).std(), rel=1e-6)

    x = sample("Rayleigh")
    assert fit("Rayleigh", x).shape.theta[0] == pytest.approx(np.sqrt((x**2).mean() / 2), rel=1e-6)


def test_weibull_and_folded_normal_as_scipy_fits_them():
    from scipy import stats

    x = sample("Weibull")
    shape, _, scale = stats.weibull_min.fit(x, floc=0)
    assert fit("Weibull", x).shape.theta == pytest.approx((shape, scale), rel=1e-4)

    x = sample("folded normal")
    _, _, scale = found = stats.foldnorm.fit(x, floc=0)
    ours = fit("folded normal", x)
    assert ours.shape.theta == pytest.approx((found[0] * scale, scale), rel=0.02)
    assert ours.log_likelihood >= stats.foldnorm.logpdf(x, *found).sum() - 1e-6


@pytest.mark.parametrize("name", sorted(THETA))
def test_the_likelihood_is_no_higher_anywhere_near(name):
    x = sample(name)
    found = fit(name, x)

    for k in range(len(found.shape.theta)):
        if name == "half normal" and k == 0:
            continue
        for factor in (0.98, 1.02):
            theta = list(found.shape.theta)
            theta[k] = theta[k] * factor + (factor - 1) * 0.01
            beside = np.log(Shape(found.shape.family, tuple(theta)).pdf(x)).sum()
            assert beside <= found.log_likelihood + 1e-6


@pytest.mark.parametrize("name", sorted(THETA))
def test_rounded_readings_give_the_parameters_of_the_unrounded(name):
    # Steps of half a spread; each reading counts as the interval it stands for.
    x = sample(name, n=20_000, seed=2)
    step = 0.5 * x.std()

    found = fit(name, np.round(x / step) * step, step=step).shape

    assert found.quantile([0.01, 0.5, 0.99]) == pytest.approx(
        Shape(FAMILIES[name], THETA[name]).quantile([0.01, 0.5, 0.99]), rel=0.03, abs=0.05
    )


def test_a_spread_below_one_step_is_still_found():
    # Taken as points, steps of one and a half spreads would say 1.19 instead of 1.
    x = np.round(np.random.default_rng(3).normal(0.2, 1.0, 50_000) / 1.5) * 1.5

    assert x.std() == pytest.approx(np.sqrt(1 + 1.5**2 / 12), rel=0.01)
    assert fit("normal", x, step=1.5).shape.parameters["sd"] == pytest.approx(1.0, rel=0.01)


@pytest.mark.parametrize("name", sorted(THETA))
def test_many_refits_at_once_are_those_one_by_one(name):
    x = sample(name, n=300, seed=5)
    step = 0.2 * x.std()
    rounded = np.round(x / step) * step
    family = FAMILIES[name]
    grouped = cells(rounded, step=step, positive=family.positive)

    quick = refit(family, grouped, grouped.counts[None, :], THETA[name])[0]

    slow = fit(name, rounded, step=step).shape
    assert Shape(family, tuple(quick)).quantile([0.01, 0.5, 0.99]) == pytest.approx(
        slow.quantile([0.01, 0.5, 0.99]), rel=0.01
    )


def test_cells_hold_every_reading_once():
    x = np.round(np.random.default_rng(1).normal(0, 3, 500))
    grouped = cells(x, step=1.0)

    assert grouped.n == 500
    assert grouped.counts.sum() == 500
    assert np.all((grouped.edges * 2) % 2 == 1)


def test_zero_is_a_reading_only_where_steps_explain_it():
    assert not applies("Weibull", [0.0, 1.0])
    assert applies("Weibull", [0.0, 1.0], step=0.5)
    assert applies("folded normal", [0.0, 1.0])
    assert not applies("lognormal", [-0.5, 1.0], step=0.5)
    assert applies("normal", [-0.5, 1.0])


@pytest.mark.parametrize(
    ("name", "x", "says"),
    [
        ("gamma", [1.0, 2.0], "no shape here"),
        ("normal", [1.0, 1.0], "too few"),
        ("lognormal", [-1.0, 1.0], "cannot hold"),
    ],
)
def test_a_fit_that_cannot_be_is_refused(name, x, says):
    with pytest.raises(ValueError, match=says):
        fit(name, x)


def test_a_path_is_the_mixture_of_its_levels():
    from scipy.stats import norm

    levels = np.random.default_rng(2).uniform(-3, 3, 150)
    shape = path_shape(levels, 0.7)

    assert float(shape.cdf(1.0)) == pytest.approx(norm.cdf((1.0 - levels) / 0.7).mean())
    assert float(shape.cdf(shape.quantile(0.00135))) == pytest.approx(0.00135, rel=1e-8)


def test_a_path_counts_each_level_for_the_parts_it_stands_for():
    heavy = path_shape([0.0, 10.0], 1.0, weights=[3.0, 1.0])

    assert float(heavy.cdf(5.0)) == pytest.approx(0.75, abs=0.13)
