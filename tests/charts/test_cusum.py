import numpy as np
import pytest

from spc.charts.cusum import cusum_chart
from spc.charts.limits import FrozenLimits

approx = pytest.approx


def test_sums_reproduce_the_handbook(series):
    # NIST/SEMATECH e-Handbook, 6.3.2.3 (values from memory); k and h in the unit of the data.
    # The data are exact half units, so two printed decimals may be rounded either way.
    x = series("nist_6323.csv")

    chart = cusum_chart(x, center=325.0, sigma=1.0, k=0.3175, h=4.1959)

    up = [0, 0, 0, 0, 0.03] + [0] * 7 + [3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    down = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31] + [0] * 9
    plain = [
        -0.07, -0.40, -0.67, -1.32, -0.97, -0.75, -1.62, -2.10, -1.87, -2.27,
        -2.65, -2.50, 0.83, 3.08, 5.90, 9.40, 11.08, 13.85, 15.73, 19.08,
    ]  # fmt: skip
    assert chart.up == approx(up, abs=0.006)
    assert chart.down == approx(down, abs=0.006)
    assert chart.plain == approx(plain, abs=0.006)
    assert chart.shifts[0].seen + 1 == 14


def test_sums_reproduce_the_textbook(series):
    # Montgomery, Introduction to Statistical Quality Control, Table 9.2 (values from memory):
    # out at 29, last in control at 22, new mean 11.25.
    chart = cusum_chart(series("montgomery30.csv"), center=10.0, sigma=1.0, k=0.5, h=5.0)

    up = [
        0, 0, 0, 1.16, 2.82, 2.50, 0.04, 1.00, 0, 0, 0, 0.97, 0.98, 0, 0, 0, 0.12, 0, 0, 0.34,
        0.74, 0, 1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30,
    ]  # fmt: skip
    down = [
        0.05, 1.56, 1.77, 0, 0, 0, 1.46, 0, 0.30, 0, 0.47, 0, 0, 0.10, 0, 0.13, 0, 0, 0.98, 0,
        0, 0.17, 0, 0, 0, 0, 0, 0, 0, 0,
    ]  # fmt: skip
    assert chart.up == approx(up, abs=0.005)
    assert chart.down == approx(down, abs=0.005)
    (shift,) = chart.shifts
    assert (shift.seen + 1, shift.began, shift.side) == (29, 22, 1)
    assert shift.level == approx(11.25, abs=0.005)


def one_by_one(x, center, allowance, start):
    up, down, sums = start, start, []
    for value in x:
        up = max(0.0, up + value - center - allowance)
        down = max(0.0, down + center - allowance - value)
        sums.append((up, down))
    return np.array(sums).T


@pytest.mark.parametrize("start", [0.0, 2.5])
def test_fast_sums_are_those_formed_one_by_one(start):
    # Longer than the blocks the fast way works in.
    x = np.random.default_rng(4).normal(20.3, 1.5, 70_000)

    chart = cusum_chart(x, center=20.0, sigma=1.5, k=0.5, h=5.0, head_start=start)

    up, down = one_by_one(x, 20.0, 0.75, start * 1.5)
    assert np.abs(chart.up - up).max() < 1e-9
    assert np.abs(chart.down - down).max() < 1e-9


def test_a_head_start_sees_a_bad_start_sooner():
    x = np.full(20, 1.0)

    cold = cusum_chart(x, center=0.0, sigma=1.0, k=0.5, h=4.0)
    warm = cusum_chart(x, center=0.0, sigma=1.0, k=0.5, h=4.0, head_start=2.0)

    assert (cold.shifts[0].seen, warm.shifts[0].seen) == (8, 4)
    assert warm.shifts[0].level == approx(1.0)
    assert warm.shifts[0].began == 0


def test_a_missing_part_adds_nothing():
    x = np.array([1.0, np.nan, 2.0, np.nan, -4.0, 3.0])

    chart = cusum_chart(x, center=0.0, sigma=1.0, k=0.5, h=2.4)

    assert chart.up[[0, 2, 4, 5]].tolist() == [0.5, 2.0, 0.0, 2.5]
    assert np.isnan(chart.up[[1, 3]]).all()
    assert [(s.began, s.seen, s.side) for s in chart.shifts] == [(3, 4, -1), (5, 5, 1)]


def test_each_excursion_is_one_shift_with_its_own_level():
    x = np.r_[np.zeros(5), np.full(10, 3.0), np.full(12, -3.0), np.zeros(5)]

    shifts = cusum_chart(x, center=0.0, sigma=1.0).shifts

    assert [(s.began, s.seen, s.side) for s in shifts] == [(5, 6, 1), (15, 16, -1)]
    assert [s.level for s in shifts] == approx([3.0, -3.0])


def test_sigma_of_parts_serves_means_of_parts():
    chart = cusum_chart(np.zeros(4), center=0.0, sigma=2.0, size=4, k=0.5, h=5.0)

    assert (chart.limit, chart.allowance) == (5.0, 0.5)
    frozen = cusum_chart(np.zeros(4), frozen=FrozenLimits(center=0.0, sigma=1.0), h=5.0)
    assert (frozen.limit, frozen.base) == (5.0, None)


def test_sums_come_as_a_table():
    frame = cusum_chart([1.0, 2.0, 1.5], center=0.0, sigma=0.2).to_frame()

    assert list(frame) == ["value", "up", "down", "limit", "beyond"]
    assert frame["beyond"].tolist() == [False, True, True]


@pytest.mark.parametrize("wrong", [{"h": 0.0}, {"head_start": 6.0}, {"sigma": -1.0}, {"size": 0}])
def test_limits_that_cannot_be_are_refused(wrong):
    with pytest.raises(ValueError, match="needed"):
        cusum_chart([1.0, 2.0], center=0.0, **{"sigma": 1.0, **wrong})
