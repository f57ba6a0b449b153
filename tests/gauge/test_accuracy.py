import csv
from pathlib import Path

import numpy as np
import pytest

from spc.gauge.accuracy import bias, linearity

PUBLISHED = Path(__file__).parents[1] / "published"


def test_bias_of_the_manual():
    # Measurement Systems Analysis, 3rd ed. 2002, chapter III, 15 readings of a 6.00 reference
    # (from memory). It rounds the bias to 0.0067 before t and the bounds.
    with (PUBLISHED / "aiag_bias.csv").open() as file:
        x = [float(row["value"]) for row in csv.DictReader(file)]

    found = bias(x, 6.0, by="range")

    assert found.mean == pytest.approx(6.0067, abs=5e-5)
    assert found.bias == pytest.approx(0.0067, abs=5e-5)
    assert found.repeat == pytest.approx(0.22514, abs=1.5e-5)
    assert found.error == pytest.approx(0.05813, abs=5e-6)
    assert found.t == pytest.approx(0.1153, abs=8.5e-4)
    assert found.df == pytest.approx(10.8, abs=0.1)
    assert found.lower == pytest.approx(-0.1185, abs=3.5e-4)
    assert found.upper == pytest.approx(0.1319, abs=3.5e-4)
    assert not found.proven


def test_linearity_of_the_manual():
    # The same manual, linearity example: five references, twelve readings each (values from
    # memory); slope -0.131667, intercept 0.736667, R2 71.4 %, t of the slope -12.043 and of the
    # intercept 10.158.
    readings = {
        2.0: [2.7, 2.5, 2.4, 2.5, 2.7, 2.3, 2.5, 2.5, 2.4, 2.4, 2.6, 2.4],
        4.0: [5.1, 3.9, 4.2, 5.0, 3.8, 3.9, 3.9, 3.9, 3.9, 4.0, 4.1, 3.8],
        6.0: [5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1],
        8.0: [7.6, 7.7, 7.8, 7.7, 7.8, 7.8, 7.8, 7.7, 7.8, 7.5, 7.6, 7.7],
        10.0: [9.1, 9.3, 9.5, 9.3, 9.4, 9.5, 9.5, 9.5, 9.6, 9.2, 9.3, 9.4],
    }
    reference = np.repeat(list(readings), 12)

    found = linearity(reference, np.concatenate(list(readings.values())))

    assert found.slope == pytest.approx(-0.131667, abs=5e-7)
    assert found.intercept == pytest.approx(0.736667, abs=5e-7)
    assert found.r_squared == pytest.approx(0.714, abs=5e-4)
    assert found.t_slope == pytest.approx(-12.043, abs=5e-4)
    assert found.t_intercept == pytest.approx(10.158, abs=5e-4)
    assert not found.true_everywhere


def test_bias_by_deviations_is_the_one_sample_t_test():
    from scipy.stats import ttest_1samp

    x = np.random.default_rng(1).normal(5.2, 0.3, 12)
    theirs = ttest_1samp(x, 5.0)
    found = bias(x, 5.0)

    interval = theirs.confidence_interval(0.95)
    assert (found.t, found.p_value) == (
        pytest.approx(theirs.statistic), pytest.approx(theirs.pvalue),
    )  # fmt: skip
    assert found.lower == pytest.approx(interval.low - 5.0)
    assert found.upper == pytest.approx(interval.high - 5.0)


def test_linearity_is_the_line_of_statsmodels():
    import statsmodels.api as sm

    generator = np.random.default_rng(2)
    x = np.repeat([10.0, 20.0, 30.0], 5)
    y = x + 0.1 + 0.01 * x + generator.normal(0, 0.2, 15)
    theirs = sm.OLS(y - x, sm.add_constant(x)).fit()
    found = linearity(x, y)

    assert (found.intercept, found.slope) == pytest.approx(tuple(theirs.params))
    assert (found.intercept_error, found.slope_error) == pytest.approx(tuple(theirs.bse))
    assert (found.p_intercept, found.p_slope) == pytest.approx(tuple(theirs.pvalues))
    low, high = together(theirs, sm.add_constant(np.array([10.0, 20.0, 30.0])))
    assert found.lower == pytest.approx(low)
    assert found.upper == pytest.approx(high)


def together(fit, exog):
    """Bounds that hold everywhere at once: the critical value of the joint F test of both terms."""
    from scipy.stats import f

    told = fit.get_prediction(exog)
    reach = np.sqrt(2 * f.ppf(0.95, 2, fit.df_resid)) * told.se_mean
    return told.predicted_mean - reach, told.predicted_mean + reach


def test_bounds_of_the_line_are_those_of_working_and_hotelling():
    # Kutner, Nachtsheim, Neter, Li, Applied Linear Statistical Models, 5th ed. 2005, section 2.6,
    # Toluca Company (from memory): lots of 30, 65 and 100 have mean hours within 131.2 to 207.8,
    # 272.0 to 316.8 and 387.2 to 451.6, all three together with 90 %.
    lots = [80, 30, 50, 90, 70, 60, 120, 80, 100, 50, 40, 70, 90, 20, 110, 100, 30, 50, 90, 110,
            30, 90, 40, 80, 70]  # fmt: skip
    hours = [399, 121, 221, 376, 361, 224, 546, 352, 353, 157, 160, 252, 389, 113, 435, 420, 212,
             268, 377, 421, 273, 468, 244, 342, 323]  # fmt: skip

    found = linearity(lots, np.add(lots, hours), confidence=0.90)

    low, high = found.bounds([30, 65, 100])
    assert low == pytest.approx([131.2, 272.0, 387.2], abs=0.06)
    assert high == pytest.approx([207.8, 316.8, 451.6], abs=0.06)


@pytest.mark.slow
@pytest.mark.parametrize(("sizes", "each"), [(2, 12), (3, 12), (5, 12), (5, 4)])
def test_a_gauge_that_reads_true_is_wronged_in_at_most_five_studies_of_a_hundred(sizes, each):
    generator = np.random.default_rng(29)
    true = np.repeat(np.arange(float(sizes)), each)

    wronged = np.mean([
        linearity(true, true + generator.normal(0, 0.3, len(true))).true_everywhere is False
        for _ in range(6000)
    ])  # fmt: skip

    # Standard error of 6000 studies: 0.28 %. Bounds at each size alone wrong it in 10 to 13.
    assert 0.02 <= wronged <= 0.05 + 2 * 0.0028


def test_bounds_anywhere_are_those_of_statsmodels():
    import statsmodels.api as sm

    generator = np.random.default_rng(3)
    x = np.repeat([10.0, 20.0, 30.0, 40.0], 4)
    y = x - 0.2 + 0.005 * x + generator.normal(0, 0.1, 16)
    theirs = sm.OLS(y - x, sm.add_constant(x)).fit()
    found = linearity(x, y)

    between = np.array([12.0, 25.0, 38.0])
    low, high = together(theirs, sm.add_constant(between))
    assert found.bounds(between)[0] == pytest.approx(low)
    assert found.bounds(between)[1] == pytest.approx(high)
    assert found.slope_bounds == pytest.approx(tuple(theirs.conf_int()[1]))


def test_means_off_the_line_are_found_as_the_comparison_of_models_finds_them():
    # Lack of fit is the F test of the line against a mean for each size, as statsmodels has it.
    import statsmodels.api as sm

    generator = np.random.default_rng(4)
    x = np.repeat([10.0, 20.0, 30.0, 40.0], 4)
    y = x + 0.001 * (x - 25) ** 2 + generator.normal(0, 0.1, 16)
    groups = (x[:, None] == np.unique(x)).astype(float)
    line, means = (sm.OLS(y - x, model).fit() for model in (sm.add_constant(x), groups))

    assert linearity(x, y).p_line == pytest.approx(means.compare_f_test(line)[1])
    assert np.isnan(linearity(x[:8], y[:8]).p_line)


def test_identical_repeats_off_a_line_are_off_it():
    x = np.repeat([20000.0, 25000.0, 30000.0], 2)
    off = np.repeat([0.0, 1.0, 0.0], 2)

    found = linearity(x, x + off)

    assert found.p_line == 0
    assert found.true_everywhere is False
    assert found.proven.tolist() == [False, True, False]


@pytest.mark.parametrize("slope", [0.0, 1e-5])
def test_identical_repeats_on_a_line_leave_nothing_to_judge_it_by(slope):
    x = np.repeat([20000.3, 25000.7, 30000.1], 3)

    found = linearity(x, x + slope * x)

    assert np.isnan(found.p_line)
    assert found.true_everywhere is (slope == 0)


def test_each_size_is_judged_by_the_t_test_of_its_own_readings():
    from scipy.stats import ttest_1samp

    x = np.repeat([20.0, 25.0, 30.0], 12)
    off = np.repeat([-0.5, 1.0, -0.5], 12) + np.random.default_rng(7).normal(0, 0.2, 36)

    found = linearity(x, x + off)

    theirs = [ttest_1samp(off[x == size], 0).confidence_interval(1 - 0.05 / 3) for size in
              (20.0, 25.0, 30.0)]  # fmt: skip
    assert found.bent
    assert found.judged[0] == pytest.approx([each.low for each in theirs])
    assert found.judged[1] == pytest.approx([each.high for each in theirs])
    assert found.true_everywhere is False


def test_a_gauge_without_spread_proves_its_bias():
    assert bias([5.0, 5.0, 5.0], 4.9).proven
    assert not bias([5.0, 5.0], 5.0).proven


def test_identical_readings_of_the_true_value_prove_nothing_by_rounding():
    # The mean of seven times 25000.3 is 25000.3 less a rounding.
    assert not bias([25000.3] * 7, 25000.3).proven


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: bias([1.0], 1.0), "at least 2"),
        (lambda: bias([1.0, 2.0], 1.0, by="mean"), "use 'deviations'"),
        (lambda: linearity([1.0, 1.0, 1.0], [1.0, 1.1, 1.2]), "2 different references"),
        (lambda: linearity([1.0, 2.0], [1.0]), "same length"),
    ],
)
def test_what_cannot_be_judged_is_refused(call, says):
    with pytest.raises(ValueError, match=says):
        call()
