import numpy as np
import pytest

from spc.charts.base_span import cleaned
from spc.charts.shewhart import averages_range_chart, individuals_chart
from spc.errors import NotEnough

approx = pytest.approx


def test_the_vane_openings_lose_their_five_groups_and_then_more(groups):
    # Montgomery & Runger, Applied Statistics, Table 16-1 (from memory): means 6, 8, 11, 19 and
    # range 9 are out on the trial chart; without them the limits are 36.10 and 30.33.
    vane = groups("vane.csv")

    clean = cleaned(lambda base: averages_range_chart(vane, base=base), len(vane), most=0.5)

    assert [place + 1 for place in clean.rounds[0]] == [6, 8, 9, 11, 19]
    why = dict(zip(clean.base.excluded, clean.base.reasons, strict=True))
    assert why[8].startswith("round 1: range 15")
    assert "above the upper limit" in why[5]


def test_limits_of_a_clean_base_hold_all_points_left():
    x = np.random.default_rng(3).normal(0, 1, 60)
    x[[10, 30]] = [9.0, -7.0]

    clean = cleaned(lambda base: individuals_chart(x, base=base), 60)

    chart = individuals_chart(x, base=clean.base).location
    assert set(clean.base.excluded) >= {10, 30}
    assert not (chart.beyond & clean.base.mask(60)).any()
    assert clean.settled
    assert "58" in clean.says or str(clean.base.count) in clean.says


def test_an_outlier_does_not_take_its_neighbour_with_it():
    x = np.tile([1.0, 2.0], 15)
    x[7] = 40.0

    assert cleaned(lambda base: individuals_chart(x, base=base), 30).base.excluded == (7,)


def test_points_known_beforehand_keep_their_own_reason():
    x = np.r_[np.tile([1.0, 2.0], 10), 30.0]

    clean = cleaned(
        lambda base: individuals_chart(x, base=base), 21, known={20: "gauge not mastered"}
    )

    assert clean.base.reasons == ("gauge not mastered",)
    assert clean.rounds == ()


def test_a_span_that_never_settles_says_so_and_keeps_its_points():
    x = np.cumsum(np.random.default_rng(8).normal(0, 1, 80))

    clean = cleaned(lambda base: individuals_chart(x, base=base), 80)

    assert not clean.settled
    assert "not stable" in clean.says
    assert clean.base.count >= 60


def test_only_the_span_is_cleaned():
    x = np.tile([1.0, 2.0], 20)
    x[35] = 50.0

    clean = cleaned(lambda base: individuals_chart(x, base=base), 40, span=(0, 19))

    assert clean.base.excluded == ()
    assert "all lie inside" in clean.says


def test_a_span_with_nothing_left_is_refused():
    with pytest.raises(NotEnough, match="excluded"):
        cleaned(lambda base: individuals_chart([1.0, 2.0], base=base), 2, known={0: "a", 1: "b"})
