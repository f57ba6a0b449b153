"""Sizes seen from their targets, and diameters that ride along with the leading one."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from spc.wheel.settings import GUARD_PER_U, FeatureSettings


def mirror_of(feature: FeatureSettings) -> float:
    """+1 when wear makes the value grow, -1 for a bore."""
    return -1.0 if feature.kind == "bore" else 1.0


@dataclass(frozen=True)
class Frame:
    """One size seen from its target, mirrored so that wear is upward; limits are guarded. [µm]"""

    name: str
    mirror: float
    target: float
    lower: float
    upper: float
    half_width: float
    aimed_by_limit: bool = False  # one limit and no target: `target` is a place clear of it

    def inward(self, deviation: float) -> float:
        """From a deviation of the drawing to this frame."""
        return self.mirror * (deviation - self.target)

    def only_nears_limit(self, amount: float) -> bool:
        """Whether a move leads towards the one limit there is, with no target to lead to."""
        return self.aimed_by_limit and (amount > 0) == math.isfinite(self.upper)

    def outward(self, place: float) -> float:
        """From this frame to a deviation of the drawing."""
        return self.mirror * place + self.target


def frame_of(feature: FeatureSettings) -> Frame:
    """
    The frame of a diameter or bore.

    One limit alone has no width; ten gauge spreads, at least 5 µm, stand in for it. Without a
    target no place is better than another as long as the guarded limit is kept: the frame then
    begins that far inside it. Without any limit the nominal size is the target.
    """
    low, high, aim = feature.lower_um, feature.upper_um, feature.target_um
    guess = max(10 * feature.gauge_sd_um, 5.0)
    aimed_by_limit = aim is None and (low is None) != (high is None)
    if aim is None:
        aim = _clear_of(*feature.guarded_um, guess)
    mirror = mirror_of(feature)
    guard = GUARD_PER_U * feature.uncertainty_um
    ends = [
        math.inf if end is None else max(way * (end - aim) - guard, 0.0)
        for end, way in ((low, -1.0), (high, 1.0))
    ]
    if mirror < 0:
        ends.reverse()
    widths = [abs(end - aim) for end in (low, high) if end is not None]
    width = max(widths) if widths else guess
    return Frame(
        feature.name,
        mirror,
        aim,
        -ends[0],
        ends[1],
        max(width, 1e-3),
        aimed_by_limit=aimed_by_limit,
    )


def _clear_of(low: float | None, high: float | None, guess: float) -> float:
    """A place clear of the guarded limits: the middle of two, `guess` inside one. [µm]"""
    if low is not None and high is not None:
        return (low + high) / 2
    if high is not None:
        return high - guess
    return 0.0 if low is None else low + guess


class Companion:
    """Another diameter of the same kind: how far its level lies above the leading one."""

    def __init__(self, frame: Frame, noise: float) -> None:
        self.frame = frame
        self.shift, self.var = 0.0, frame.half_width**2
        self.noise, self.count = noise, 3.0
        self.lead_noise = noise  # of the leading diameter over the same parts

    def part(self) -> None:
        """One part was ground."""
        self.var += 2e-4 * self.noise

    def dress(self) -> None:
        """A dress may leave the wheel a little tapered."""
        self.var += 0.1 * self.noise

    @property
    def spread_ratio(self) -> float:
        """Its part-to-part spread over that of the leading diameter."""
        return math.sqrt(self.noise / self.lead_noise)

    def expected(self, level: float, level_var: float) -> tuple[float, float]:
        """Forecast of its reading and the variance of that."""
        return level + self.shift, level_var + self.var + self.noise

    def read(self, value: float, level: float, level_var: float, lead_noise: float) -> None:
        """Take in one measured part, whose leading diameter has this variance about the level."""
        model = self.var + level_var
        total = model + self.noise
        gap = value - level - self.shift
        gap = math.copysign(min(abs(gap), 3 * math.sqrt(total)), gap)
        share = self.noise / total
        seen = share * share * gap * gap + share * model
        self.count = min(self.count + 1, 200)
        gain = self.var / total
        self.shift += gain * gap
        self.var *= 1 - gain
        self.noise += (seen - self.noise) / self.count
        self.lead_noise += (lead_noise - self.lead_noise) / self.count

    def state(self) -> list[float]:
        """Plain numbers from which `resume` continues exactly."""
        return [self.shift, self.var, self.noise, self.count, self.lead_noise]

    def resume(self, state: Sequence[float]) -> None:
        """Continue from `state`."""
        self.shift, self.var, self.noise, self.count, *rest = state
        # Records made before this was kept lack it.
        self.lead_noise = rest[0] if rest else self.noise
