import numpy as np
import pytest

from spc.capability.noncentral import cdf, noncentrality, quantile, spread_ratio

CASES = [(df, delta) for df in (1, 2, 4, 29, 499, 1e5) for delta in (-3.0, 0.0, 1.0, 50.0, 300.0)]


@pytest.mark.parametrize(("df", "delta"), CASES)
def test_probabilities_are_those_of_scipy(df, delta):
    from scipy.special import nctdtr

    t = delta + np.array([-2.0, -0.5, 0.0, 0.7, 3.0]) * (1 + abs(delta) / np.sqrt(2 * df))

    theirs = nctdtr(df, delta, t)
    known = np.isfinite(theirs)  # far out on the wrong side the library gives up
    assert known.sum() >= 4
    assert cdf(t, df, delta)[known] == pytest.approx(theirs[known], abs=1e-9)


@pytest.mark.parametrize(("df", "delta"), CASES)
def test_each_inverse_leads_back(df, delta):
    p = np.array([0.001, 0.025, 0.5, 0.975, 0.999])
    t = quantile(p, df, delta)

    assert cdf(t, df, delta) == pytest.approx(p, abs=1e-9)
    assert noncentrality(t, df, p) == pytest.approx(delta, abs=2e-7 * max(1, abs(delta)))


def test_without_shift_it_is_student():
    from scipy.special import stdtr

    t = np.linspace(-5, 5, 11)
    assert cdf(t, 7, 0.0) == pytest.approx(stdtr(7, t), abs=1e-12)


def test_the_quadrature_of_the_spread_has_the_moments_of_chi_square():
    for df in (1, 3, 29, 1000):
        ratio, weight = spread_ratio(df)
        assert weight.sum() == pytest.approx(1.0)
        assert (weight * ratio**2).sum() == pytest.approx(1.0, abs=1e-6)
        assert (weight * ratio**4).sum() == pytest.approx(1 + 2 / df, abs=1e-5)
