"""Loss, dead band and dress interval against closed forms."""

import math

import numpy as np
import pytest

from spc.wheel import loss
from spc.wheel.life import (
    dress_interval,
    feet_per_minute,
    grinding_ratio,
    surface_speed,
    wheel_left,
)
from spc.wheel.loss import Stakes, Zone, best_loss, dead_band, part_loss


def stakes(off_target=1.0, scrap=0.0, rework=0.0, width=10.0):
    return Stakes(off_target, scrap, rework, width, (Zone(-width, width),))


def band(stakes, **more):
    found = dead_band(stakes, **more)
    levels = np.linspace(-6, 6, 2401)
    inside = [x for x in levels if found.at(x) <= more["price"]]
    return found, min(inside), max(inside)


def test_loss_on_a_limit_is_half_the_rework_and_the_square():
    assert part_loss(stakes(0.5, 15, 5, 8), 8.0, 1e-6) == pytest.approx(0.5 + 2.5, abs=1e-3)


def test_loss_agrees_with_simulated_parts():
    money = stakes(0.5, 15, 5, 4)
    x = 1.0 + 1.5 * np.random.default_rng(0).standard_normal(400_000)
    paid = 0.5 * (x / 4) ** 2 + 15 * (x < -4) + 5 * (x > 4)

    assert part_loss(money, 1.0, 2.25) == pytest.approx(paid.mean(), abs=4 * paid.std() / 632)


def test_the_least_loss_lies_away_from_the_dearer_limit():
    money = stakes(0.5, 15, 1, 4)
    sds, least = best_loss(money)
    here = float(np.interp(2.0, sds, least))

    assert here < part_loss(money, 0.0, 4.0)
    assert here == pytest.approx(
        min(part_loss(money, m, 4.0) for m in np.linspace(-4, 4, 400)), rel=0.02
    )


@pytest.mark.parametrize("drift", [0.05, 0.2])
def test_under_pure_drift_the_band_is_the_sawtooth_of_least_cost(drift):
    # Derived: resets every n* = (6 C w²/(K b²))^(1/3) parts, costing 1.5 C/n* a part.
    price = 0.05
    n = (6 * price * 100 / drift**2) ** (1 / 3)
    found, _, top = band(stakes(), drift=drift, variance=1e-4, wander=1e-6, price=price, every=1)
    still = part_loss(stakes(), 0.0, 1e-4)

    assert found.rate - still == pytest.approx(1.5 * price / n, rel=0.25)
    assert top - found.aim == pytest.approx(drift * n, rel=0.3)


@pytest.mark.parametrize(("ratio", "half_band"), [(10, 2.2), (50, 3.5), (100, 4.3)])
def test_under_pure_wander_the_band_is_that_of_box_and_luceno(ratio, half_band):
    # Box and Luceño, Statistical Control by Monitoring and Feedback Adjustment (1997), from
    # memory: optimal half band in units of the wander per part, for R = price/(loss x wander²).
    wander = 0.25
    price = ratio * wander**2 / 100
    _, low, top = band(stakes(), drift=0.0, variance=1e-4, wander=wander**2, price=price, every=1)

    assert (top - low) / 2 / wander == pytest.approx(half_band, rel=0.2)


def test_rarer_readings_call_for_earlier_moves():
    _, _, often = band(stakes(), drift=0.2, variance=0.5, wander=1e-4, price=0.1, every=1)
    _, _, seldom = band(stakes(), drift=0.2, variance=0.5, wander=1e-4, price=0.1, every=8)

    assert seldom < often


def test_equal_questions_have_equal_answers_in_any_order():
    first = dead_band(stakes(), drift=0.1, variance=0.5, wander=1e-3, price=0.1, every=3)
    dead_band(stakes(), drift=0.1001, variance=0.51, wander=1.1e-3, price=0.1, every=3)

    assert dead_band(
        stakes(), drift=0.1, variance=0.5, wander=1e-3, price=0.1, every=3
    ) is first or first.rate == pytest.approx(first.rate)


def test_the_band_does_not_hang_on_where_its_iteration_starts(monkeypatch):
    def far_off(stakes, levels, cost, drift, price, stride):
        aim = len(levels) // 2
        return np.abs(levels - levels.mean()) > 0.3 * (levels[-1] - levels[0]), aim

    random = np.random.default_rng(11)
    for _ in range(40):
        width = random.uniform(4, 12)
        stakes = Stakes(
            random.uniform(0.05, 0.6), random.uniform(3, 20), random.uniform(0.5, 3), width,
            (Zone(-width * random.uniform(0.7, 1), width * random.uniform(0.7, 1)),),
        )  # fmt: skip
        asked = {
            "drift": width * random.uniform(-0.02, 0.06),
            "variance": (width * random.uniform(0.08, 0.3)) ** 2,
            "wander": width**2 * 10 ** random.uniform(-6, -2),
            "price": 10 ** random.uniform(-2, 0),
            "every": int(random.integers(1, 11)),
        }
        near = dead_band(stakes, **asked)
        loss._dead_band.cache_clear()
        with monkeypatch.context() as patched:
            patched.setattr(loss, "_guess", far_off)
            far = dead_band(stakes, **asked)
        loss._dead_band.cache_clear()

        assert near.aim == far.aim
        assert (near.rate, *near.worth) == pytest.approx((far.rate, *far.worth), abs=1e-9)


def test_wheel_speeds_are_those_of_the_handbook():
    # Machinery's Handbook, grinding wheel speeds, from memory: revolutions for diameters in
    # inches and surface feet per minute, rounded to whole revolutions.
    rows = [(1, 4000, 15279), (1, 5500, 21008), (1, 6500, 24828), (6, 5000, 3183),
            (12, 4000, 1273), (12, 5000, 1592), (12, 6500, 2069), (14, 5000, 1364),
            (24, 5000, 796)]  # fmt: skip
    for inches, sfpm, rpm in rows:
        found = feet_per_minute(surface_speed(25.4 * inches, rpm))
        assert found == pytest.approx(sfpm, abs=0.55 * math.pi * inches / 12)


def test_dresses_left_and_the_marked_limit():
    left = wheel_left(
        diameter_mm=400, dresses=250, dress_depth_um=20, scrap_diameter_mm=290, rpm=1650,
        speed_limit_m_s=33,
    )  # fmt: skip

    assert left.diameter_mm == 390
    assert left.dresses_left == 2500
    assert left.speed_m_s == pytest.approx(33.69, abs=0.01)
    assert left.too_fast
    assert "stop" in left.caution
    assert left.drift_factor == pytest.approx((400 / 390) ** 1.5)


def test_the_caution_never_tells_anyone_to_turn_faster():
    left = wheel_left(diameter_mm=400, dresses=2000, dress_depth_um=20, rpm=1650)

    assert "never run a wheel faster" in left.caution


def test_grinding_ratio_of_the_worked_example():
    # Derived: stock 0.1 mm on radius, work 40 mm, wheel 400 mm: drift 20/G µm per part.
    assert grinding_ratio(
        stock_um=100, work_diameter_mm=40, wheel_diameter_mm=400, drift_um=20 / 2500
    ) == pytest.approx(2500)
    with pytest.raises(ValueError, match="above zero"):
        grinding_ratio(stock_um=100, work_diameter_mm=40, wheel_diameter_mm=400, drift_um=0.0)


def test_the_best_dress_interval_balances_dress_and_rising_cost():
    # Derived: cost a n of the n-th part and a dress D give n* = sqrt(2 D/a).
    found = dress_interval(0.002 * np.arange(1, 201), dress_cost=4.0)

    assert found.best == round(math.sqrt(2 * 4 / 0.002))
    assert found.flat_from < found.best < found.flat_to
    assert not found.open_ended
    assert dress_interval([0.1] * 50, dress_cost=1.0).open_ended
