import csv
from pathlib import Path

import numpy as np
import pytest

from spc.gauge.study import Spread, arranged, range_study, repeat_study, variance_study

PUBLISHED = Path(__file__).parents[1] / "published"


def rows(name):
    with (PUBLISHED / name).open() as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def three_appraisers():
    # Measurement Systems Analysis, 3rd ed. 2002, chapter III, 10 parts x 3 appraisers x 3 trials
    # (values from memory).
    table = rows("aiag_grr.csv")
    return arranged(
        [r["appraiser"] for r in table], [r["part"] for r in table],
        [float(r["value"]) for r in table],
    )  # fmt: skip


def test_averages_and_ranges_of_the_manual(three_appraisers):
    # The same manual (from memory). It rounds the mean range, the difference of the means, the
    # range of the parts and the factors to four digits, which moves the fifth decimal.
    found = range_study(three_appraisers)

    assert found.ranges == pytest.approx([0.184, 0.513, 0.328], abs=5e-4)
    assert found.mean_range == pytest.approx(0.3417, abs=5e-5)
    assert found.means == pytest.approx([0.1903, 0.0683, -0.2543], abs=5e-5)
    assert found.mean_difference == pytest.approx(0.4446, abs=1e-4)
    assert found.part_range == pytest.approx(3.511, abs=5e-4)
    spread = found.spread
    assert spread.repeat == pytest.approx(0.20188, abs=5.5e-5)
    assert spread.people == pytest.approx(0.22963, abs=6.5e-5)
    assert spread.gauge == pytest.approx(0.30575, abs=4.5e-5)
    assert spread.part == pytest.approx(1.10456, abs=1.15e-4)
    assert spread.total == pytest.approx(1.14610, abs=1.05e-4)
    shares = [spread.percent(s) for s in (spread.repeat, spread.people, spread.gauge, spread.part)]
    assert shares == pytest.approx([17.62, 20.04, 26.68, 96.38], abs=0.011)
    assert spread.categories == 5


def test_analysis_of_variance_of_the_manual(three_appraisers):
    # The same manual (from memory), interaction pooled.
    found = variance_study(three_appraisers, pool=True)

    ss = [line.ss for line in found.lines]
    assert [ss[i] for i in (0, 1, 2, 3, 4)] == pytest.approx(
        [3.1673, 88.3619, 0.3590, 2.7589, 94.6471], abs=5e-5
    )
    assert [line.ms for line in found.lines[:4]] == pytest.approx(
        [1.58363, 9.81799, 0.01994, 0.04598], abs=1.5e-5
    )
    assert found.lines[2].f == pytest.approx(0.434, abs=5e-4)
    spread = found.spread
    assert spread.repeat**2 == pytest.approx(0.039973, abs=5.00001e-7)
    assert spread.people**2 == pytest.approx(0.051455, abs=5.00001e-7)
    assert spread.repeat == pytest.approx(0.199933, abs=5.00001e-7)
    assert spread.people == pytest.approx(0.226838, abs=5.00001e-7)
    assert spread.gauge == pytest.approx(0.302373, abs=2.5e-6)
    assert spread.part == pytest.approx(1.042327, abs=5.00001e-7)
    assert spread.total == pytest.approx(1.085, abs=5e-4)
    four = (spread.repeat, spread.people, spread.gauge, spread.part)
    assert [spread.percent(s) for s in four] == pytest.approx([18.4, 20.9, 27.9, 96.0], abs=0.1)
    contribution = [spread.contribution(s) for s in four]
    assert contribution == pytest.approx([3.4, 4.4, 7.8, 92.2], abs=0.05)
    assert spread.categories == 4


def test_the_interaction_is_pooled_by_itself_when_it_says_nothing(three_appraisers):
    assert variance_study(three_appraisers).pooled
    assert not variance_study(three_appraisers, pool=False).pooled


def test_one_operator_of_the_textbook():
    # Montgomery, Introduction to SQC, capability chapter, gauge example 7-7/8.7 (from memory); the
    # source rounds the gauge spread to 0.887 and the total to 3.17 before the parts' 3.04.
    table = rows("montgomery_grr_op1.csv")
    readings = [float(r["value"]) for r in table]
    parts = arranged(["1"] * len(table), [r["part"] for r in table], readings)[0]
    found = repeat_study(parts, tolerance=55)

    assert found.mean == pytest.approx(22.3, abs=0.05)
    assert found.mean_range == pytest.approx(1.0, abs=0.05)
    assert found.gauge == pytest.approx(0.887, abs=0.0015)
    assert found.share_of_tolerance == pytest.approx(0.097, abs=5e-4)
    assert found.total == pytest.approx(3.17, abs=0.005)
    assert found.part == pytest.approx(3.04, abs=0.011)


def invented(
    *, people=3, parts=10, trials=3, seed=1, repeat=0.3, between=0.2, mixed=0.25, part=2.0
):
    generator = np.random.default_rng(seed)
    return (
        part * generator.normal(size=parts)[None, :, None]
        + between * generator.normal(size=people)[:, None, None]
        + mixed * generator.normal(size=(people, parts))[..., None]
        + repeat * generator.normal(size=(people, parts, trials))
    )


def test_analysis_of_variance_is_that_of_statsmodels():
    import pandas as pd
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    x = invented()
    who, what, _ = (i.ravel() for i in np.indices(x.shape))
    frame = pd.DataFrame({"who": who, "what": what, "y": x.ravel()})
    table = anova_lm(ols("y ~ C(who) * C(what)", frame).fit())
    found = variance_study(x, pool=False)

    theirs = [
        table.loc[name, "sum_sq"] for name in ("C(who)", "C(what)", "C(who):C(what)", "Residual")
    ]
    assert [line.ss for line in found.lines[:4]] == pytest.approx(theirs)
    assert found.lines[2].p_value == pytest.approx(table.loc["C(who):C(what)", "PR(>F)"])


def test_variances_are_on_average_those_put_in():
    studies = [variance_study(invented(seed=k), pool=False).spread for k in range(300)]

    assert np.mean([s.repeat**2 for s in studies]) == pytest.approx(0.09, rel=0.03)
    assert np.mean([s.interaction**2 for s in studies]) == pytest.approx(0.0625, rel=0.1)
    assert np.mean([s.people**2 for s in studies]) == pytest.approx(0.04, rel=0.35)
    assert np.mean([s.part**2 for s in studies]) == pytest.approx(4.0, rel=0.1)


@pytest.mark.parametrize("mixed", [0.0, 0.25])
def test_bounds_of_the_gauge_cover(mixed):
    true = np.sqrt(0.09 + 0.04 + mixed**2)
    inside, exact = [], []
    for k in range(250):
        found = variance_study(invented(seed=k, mixed=mixed, people=4), pool=False)
        inside.append(found.gauge_bounds[0] <= true <= found.gauge_bounds[1])
        exact.append(found.repeat_bounds[0] <= 0.3 <= found.repeat_bounds[1])

    # Standard error of 250 runs: 1.4 %. Four people know little, so the bounds are careful.
    assert 0.92 <= np.mean(inside) <= 1.0
    assert np.mean(exact) == pytest.approx(0.95, abs=0.042)


def test_part_spread_over_gauge_spread():
    # Definitions in Montgomery, capability chapter: with the parts' share of the variance ρ,
    # signal to noise √(2ρ/(1-ρ)) and discrimination (1+ρ)/(1-ρ).
    spread = Spread(0.6, 0.8, 0.0, 3.0)
    share = 9 / 10

    assert spread.signal_to_noise == pytest.approx((2 * share / (1 - share)) ** 0.5)
    assert spread.discrimination == pytest.approx((1 + share) / (1 - share))


def test_judgement_by_tolerance_and_by_total():
    assert "6.0 % of the tolerance: good" in Spread(0.1, 0.0, 0.0, 1.0, 10.0).words
    assert "conditional" in Spread(0.2, 0.0, 0.0, 1.0).words
    assert "not good enough" in Spread(0.5, 0.0, 0.0, 1.0).words


def test_repeats_that_never_differ_prove_no_good_gauge():
    # A rounding of the computer, 1e-12 µm, must not make thousands of groups of parts either.
    readings = np.repeat([25000.3, 25001.1, 25002.7], 3).reshape(1, 3, 3).repeat(3, axis=0)

    spread = variance_study(readings, tolerance=20.0).spread

    assert spread.categories is None
    assert spread.words.startswith("Readings of the same part never differ")
    assert "good" not in spread.words


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: arranged(["A", "A", "B"], [1, 2, 1], [1.0, 2.0, 3.0]), "read part 2 0 times"),
        (lambda: arranged(["A"], [1, 2], [1.0, 2.0]), "same length"),
        (lambda: range_study(np.zeros((2, 3))), "(appraisers, parts, trials)"),
        (lambda: variance_study(np.zeros((1, 3, 2))), "one appraiser"),
        (lambda: range_study(np.full((2, 3, 2), np.nan)), "not finite"),
        (lambda: repeat_study([[1.0], [2.0]]), "2 of each"),
        (lambda: variance_study(np.full((2, 2, 2), 25000.3)), "all readings are alike"),
        (lambda: range_study(np.full((2, 2, 2), 25000.3)), "step is too coarse"),
    ],
)
def test_what_is_no_study_is_refused(call, says):
    import re

    with pytest.raises(ValueError, match=re.escape(says)):
        call()
