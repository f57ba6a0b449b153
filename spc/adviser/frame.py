"""From a plan to half widths and back: the wear goes upward, the target is zero."""

import math
from dataclasses import dataclass

import numpy as np

from spc.adviser.loss import Sizes, Stakes
from spc.plan import Feature, Plan

Limits = tuple[float, float]

#: A limit without a target: the level is kept so many gauge spreads inside it. Judgement.
ONE_SIDED_GAUGE_SDS = 20.0
#: Readings where the plan names no sample: one in so many parts. Judgement.
SAMPLE_UNTOLD = 5


@dataclass(frozen=True)
class Frame:
    """One size's µm in half widths of the tightest: ``sign (deviation - target) / half``."""

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

    def move_out(self, move: float) -> float:
        """A move in µm, + bigger."""
        return self.sign * self.half_um * move


@dataclass(frozen=True, eq=False)
class Frames:
    """
    All sizes of a plan.

    Attributes
    ----------
    frames : tuple of Frame
        In the order of the plan.
    sizes : Sizes
        Limits, prices, registers and gauges in half widths.
    registers : tuple of str
        Name of each register in the plan; "" where it has none. A name stands twice where diameters
        and bores share it, since their wear goes opposite ways.
    """

    frames: tuple[Frame, ...]
    sizes: Sizes
    registers: tuple[str, ...]

    @property
    def half_um(self) -> float:
        """The unit of length. [µm]"""
        return self.frames[0].half_um

    def sign(self, register: int) -> int:
        """1 where the wear makes the sizes of a register bigger, else -1."""
        return self.frames[self.sizes.on(register)[0]].sign

    def of(self, name: str) -> int | None:
        """The place of a size."""
        places = {frame.name: place for place, frame in enumerate(self.frames)}
        return places.get(name)


def frames_of(plan: Plan) -> Frames:
    """
    The frames of the diameters and bores of a plan.

    Half a width is the distance from the target to the guarded limit farther away; the tightest of
    the plan is the unit of length. A one-sided size without a target is kept `ONE_SIDED_GAUGE_SDS`
    gauge spreads inside its limit.
    """
    features = [feature for feature in plan.features if feature.is_size]
    targets = [_target(feature, feature.guarded_um) for feature in features]
    widths = [_width(f.guarded_um, at) for f, at in zip(features, targets, strict=True)]
    half = min(widths)
    frames = tuple(
        Frame(feature.name, _sign(feature), target, half)
        for feature, target in zip(features, targets, strict=True)
    )
    keys = [(feature.moved_by, _sign(feature)) for feature in features]
    known = list(dict.fromkeys(keys))
    registers = tuple(known.index(key) for key in keys)
    units = tuple(
        min(width for width, key in zip(widths, keys, strict=True) if key == each) / half
        for each in known
    )
    stakes = tuple(
        _stakes(plan, feature, feature.guarded_um, target, width, half * units[register])
        for feature, target, width, register in zip(
            features, targets, widths, registers, strict=True
        )
    )
    gauges = np.array([(f.gauge_sd_um**2 + f.gauge_step_um**2 / 12) / half**2 for f in features])
    return Frames(frames, Sizes(stakes, registers, units, gauges), tuple(k[0] for k in known))


def true_stakes(plan: Plan, feature: Feature) -> tuple[Frame, Stakes]:
    """
    Frame, limits and prices of one size by itself, in its own half widths.

    Acts go by readings and by the guarded limits; what parts have cost, as here, by their true
    sizes and the limits themselves.
    """
    target = _target(feature, feature.limits_um)
    width = _width(feature.limits_um, target)
    stakes = _stakes(plan, feature, feature.limits_um, target, width, width)
    return Frame(feature.name, _sign(feature), target, width), stakes


def _stakes(
    plan: Plan, feature: Feature, limits: Limits, target: float, width: float, unit_um: float
) -> Stakes:
    low, high = sorted(_sign(feature) * (um - target) / unit_um for um in limits)
    cost = plan.cost
    return Stakes(
        lower=low, upper=high, low=cost.scrap, high=cost.rework,
        # Without a target nothing tells what it costs to lie well inside of one limit.
        off_target=0.0 if _open(feature) else cost.off_target_loss * (unit_um / width) ** 2,
        offset=cost.offset, dress=cost.dress, measure=cost.measure,
        step=plan.machine.offset_step_um / unit_um,
        form=cost.rework,
        returns=plan.machine.dress_clears_offsets is not True,
    )  # fmt: skip


def _one_sided(limits: Limits) -> bool:
    return not all(map(math.isfinite, limits))


def _open(feature: Feature) -> bool:
    """Whether one limit is all there is."""
    return _one_sided(feature.limits_um) and (
        feature.target_um is None or feature.target_um in feature.limits_um
    )


def _sign(feature: Feature) -> int:
    # The wear of a wheel makes shafts bigger and bores smaller.
    return -1 if feature.kind == "bore" else 1


def _target(feature: Feature, limits: Limits) -> float:
    lower, upper = limits
    target = feature.target_um
    # One limit that is the target leaves no room to stand in, as none at all does.
    if target is None or (_one_sided(limits) and target in limits):
        room = ONE_SIDED_GAUGE_SDS * feature.gauge_sd_um
        target = upper - room if math.isfinite(upper) else lower + room
    return min(max(target, lower), upper)


def _width(limits: Limits, target: float) -> float:
    return max(abs(limit - target) for limit in limits if math.isfinite(limit))
