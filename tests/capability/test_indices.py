import math

import pytest

from spc.capability.indices import (
    cp,
    cpk,
    cpkm,
    cpl,
    cpm,
    cpu,
    off_centre,
    outside,
    outside_at,
    quantile_indices,
)


def test_indices_of_the_handbook_example():
    # NIST/SEMATECH e-Handbook, 6.1.6 (values from memory): limits 8 and 20, mean 16, s 2.
    assert cp(2.0, lower=8.0, upper=20.0) == pytest.approx(1.0, abs=0.05)
    assert cpk(16.0, 2.0, lower=8.0, upper=20.0) == pytest.approx(0.6667, abs=5e-5)
    assert cpu(16.0, 2.0, upper=20.0) == pytest.approx(0.6667, abs=5e-5)
    assert cpl(16.0, 2.0, lower=8.0) == pytest.approx(1.3333, abs=5e-5)
    assert off_centre(16.0, lower=8.0, upper=20.0) == pytest.approx(0.3333, abs=5e-5)


def test_hard_bake_index_and_share_outside():
    # Montgomery, Introduction to SQC, 6th ed., Example 6.1 continued (values from memory).
    assert cp(0.1398, lower=1.0, upper=2.0) == pytest.approx(1.192, abs=5e-4)
    assert outside(1.5056, 0.1398, lower=1.0, upper=2.0).total / 1e6 == pytest.approx(
        0.00035, abs=5e-6
    )


def test_one_sided_index_of_the_bottles():
    # Montgomery, Introduction to SQC, capability chapter, one-sided example (from memory).
    assert cpk(264.0, 32.0, lower=200.0) == pytest.approx(0.67, abs=0.005)
    found = outside(264.0, 32.0, lower=200.0)
    assert (found.below / 1e6, found.above) == (pytest.approx(0.0228, abs=5e-5), 0.0)


def test_indices_about_a_target():
    # Montgomery, Introduction to SQC, capability chapter, comparison of two processes (from
    # memory): A at 50 with s 5, all indices 1; B, from the definitions, at 57.5 with s 2.5.
    limits = {"lower": 35.0, "upper": 65.0, "target": 50.0}
    assert cpm(50.0, 5.0, **limits) == pytest.approx(1.0)
    assert cpkm(50.0, 5.0, **limits) == pytest.approx(1.0)
    assert cpm(57.5, 2.5, **limits) == pytest.approx(2.0 / math.sqrt(10), abs=1e-9)
    assert cpkm(57.5, 2.5, **limits) == pytest.approx(1.0 / math.sqrt(10), abs=1e-9)


PPM = [
    # Montgomery, Introduction to SQC, capability chapter, Table 8.2 (7-2), values from memory; the
    # source rounds some cells up or cuts them, which the tolerance covers.
    (0.25, 226628, 453255), (0.5, 66807, 133614), (0.6, 35931, 71861), (0.7, 17865, 35729),
    (0.8, 8198, 16395), (0.9, 3467, 6934), (1.0, 1350, 2700), (1.1, 484, 967), (1.2, 159, 318),
    (1.3, 48, 96), (1.4, 14, 27), (1.5, 4, 7), (1.6, 1, 2), (1.7, 0.17, 0.34), (1.8, 0.03, 0.06),
    (2.0, 0.0009, 0.0018),
]  # fmt: skip


@pytest.mark.parametrize(("index", "one", "two"), PPM)
def test_parts_outside_against_the_published_table(index, one, two):
    coarse = index <= 1.6
    slack = 1.2 if coarse else 0.005 if index < 2 else 0.00015

    assert outside_at(index, sides=1) == pytest.approx(one, abs=slack)
    assert outside_at(index, sides=2) == pytest.approx(two, abs=0.9 if coarse else 2 * slack)


def test_parts_outside_at_the_usual_indices():
    # Common knowledge of the trade: 2700, 63 and 0.57 ppm at 1, 4/3 and 5/3.
    assert outside_at(1) == pytest.approx(2700, abs=0.5)
    assert outside_at(4 / 3) == pytest.approx(63, abs=0.5)
    assert outside_at(5 / 3) == pytest.approx(0.57, abs=0.005)


def test_quantile_indices_of_an_exponential():
    # Closed form, -ln(1 - p), mean 1, limits 0 and 8; ISO 22514-2:2017 quantile definition.
    low, middle, high = (-math.log1p(-p) for p in (0.00135, 0.5, 0.99865))

    found = quantile_indices(low, middle, high, lower=0.0, upper=8.0)

    assert low == pytest.approx(0.00135091, abs=5e-9)
    assert found.pp == pytest.approx(1.2110, abs=5e-5)
    assert found.ppu == pytest.approx(1.2354, abs=5e-5)
    assert found.ppl == pytest.approx(1.0020, abs=5e-5)
    assert found.ppk == found.ppl


def test_quantile_indices_are_the_ordinary_ones_for_three_deviations():
    found = quantile_indices(-6.0, 0.0, 6.0, lower=-7.0, upper=9.0)

    assert found.pp == pytest.approx(cp(2.0, lower=-7.0, upper=9.0))
    assert found.ppk == pytest.approx(cpk(0.0, 2.0, lower=-7.0, upper=9.0))


@pytest.mark.parametrize(
    ("sd", "lower", "upper", "says"),
    [
        (0.0, -1.0, 1.0, "spread above 0"),
        (math.nan, -1.0, 1.0, "spread above 0"),
        (1.0, None, None, "at least one limit"),
        (1.0, 1.0, 1.0, "not below"),
    ],
)
def test_an_index_without_its_ground_is_refused(sd, lower, upper, says):
    with pytest.raises(ValueError, match=says):
        cpk(0.0, sd, lower=lower, upper=upper)


def test_quantiles_that_do_not_rise_are_refused():
    with pytest.raises(ValueError, match="do not rise"):
        quantile_indices(0.0, 5.0, 4.0, upper=8.0)
