import csv
from pathlib import Path

import numpy as np
import pytest

from spc.capability.outliers import generalized_esd, grubbs_critical

PUBLISHED = Path(__file__).parents[1] / "published"


def test_the_three_outliers_of_rosner():
    # NIST/SEMATECH e-Handbook, 1.3.5.17.3; Rosner (1983), Technometrics 25, 165-172 (values from
    # memory). The printed figures are cut, not rounded, so they may lie 0.001 below.
    with (PUBLISHED / "rosner54.csv").open() as file:
        x = [float(row["value"]) for row in csv.DictReader(file)]
    printed = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
    critical = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]

    found = generalized_esd(x, most=10, alpha=0.05)

    assert found.statistics == pytest.approx(printed, abs=0.0011)
    assert found.critical == pytest.approx(critical, abs=0.0011)
    assert found.count == 3
    assert sorted(x[i] for i in found.positions) == sorted(x)[-3:]


def test_the_critical_value_of_grubbs():
    # NIST/SEMATECH e-Handbook, 1.3.5.17.1 (from memory): 2.032 for N 8, one-sided test at 5 %.
    assert grubbs_critical(8, alpha=0.1) == pytest.approx(2.032, abs=5e-4)


def test_clean_samples_are_left_alone_as_often_as_it_says():
    generator = np.random.default_rng(1)
    found = [generalized_esd(generator.normal(size=60), most=5).count > 0 for _ in range(400)]

    # Standard error of 400 runs: 1.1 %.
    assert np.mean(found) == pytest.approx(0.05, abs=0.033)


def test_two_outliers_do_not_hide_each_other():
    x = np.append(np.random.default_rng(2).normal(size=40), [9.0, 9.2])

    assert set(generalized_esd(x, most=5).positions) == {40, 41}


@pytest.mark.parametrize("most", [0, 4])
def test_too_many_outliers_asked_for_is_refused(most):
    with pytest.raises(ValueError, match="it may be 1 to 3"):
        generalized_esd([1.0, 2.0, 3.0, 4.0, 5.0, 6.0], most=most)


def test_readings_all_alike_have_no_outlier():
    assert generalized_esd([2.0] * 10, most=3).count == 0
