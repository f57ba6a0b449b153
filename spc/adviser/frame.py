"""From a plan to half widths and back: the wear goes upward, the target is zero."""

import math
from dataclasses import dataclass

from spc.adviser.value import Stakes
from spc.plan import Feature, Plan

#: A limit without a target: the level is kept so many gauge spreads inside it. Judgement.
ONE_SIDED_GAUGE_SDS = 20.0
#: Readings where the plan names no sample: one in so many parts. Judgement.
SAMPLE_UNTOLD = 5


@dataclass(frozen=True)
class Frame:
    """One diameter's µm in half widths: ``sign (deviation - target) / half``."""

    name: str
    sign: int
    target_um: float
    half_um: float

    def inward(self, deviation_um: float) -> float:
        """A deviation in half widths."""
        return self.sign * (deviation_um - self.target_um) / self.half_um

    def outward(self, level: float) -> float:
        """A level as a deviation. [µm]"""
        return self.target_um + self.sign * self.half_um * level

    def move_in(self, um: float) -> float:
        """A move of the register in half widths."""
        return self.sign * um / self.half_um

    def move_out(self, move: float) -> float:
        """A move in µm, + bigger."""
        return self.sign * self.half_um * move


def frame_of(feature: Feature, *, guarded: bool = True) -> Frame:
    """
    The frame of one diameter or bore.

    Half a width is the distance from the target to the limit farther away, the guarded one unless
    `guarded` is False. A one-sided size without a target is kept `ONE_SIDED_GAUGE_SDS` gauge
    spreads inside its limit.
    """
    lower, upper = feature.guarded_um if guarded else feature.limits_um
    target = feature.target_um
    if target is None:
        room = ONE_SIDED_GAUGE_SDS * feature.gauge_sd_um
        target = upper - room if math.isfinite(upper) else lower + room
    target = min(max(target, lower), upper)
    reach = [abs(limit - target) for limit in (lower, upper) if math.isfinite(limit)]
    # The wear of a wheel makes shafts bigger and bores smaller.
    sign = -1 if feature.kind == "bore" else 1
    return Frame(feature.name, sign, target, max(reach))


def stakes_of(plan: Plan, feature: Feature, frame: Frame, *, guarded: bool = True) -> Stakes:
    """
    Limits and prices of one diameter.

    Acts go by readings and by the guarded limits; what parts have cost, by their true sizes and
    the limits themselves.
    """
    limits = feature.guarded_um if guarded else feature.limits_um
    low, high = sorted(frame.inward(limit) for limit in limits)
    cost = plan.cost
    return Stakes(
        lower=low, upper=high, low=cost.scrap, high=cost.rework, off_target=cost.off_target_loss,
        offset=cost.offset, dress=cost.dress, measure=cost.measure,
        step=plan.machine.offset_step_um / frame.half_um,
        returns=plan.machine.dress_clears_offsets is not True,
    )  # fmt: skip
