"""Loss and dead band against closed forms."""

import numpy as np
import pytest

from spc.wheel import loss
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
