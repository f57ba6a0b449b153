"""What a job risks off target and outside, in the form that `loss` reckons with."""

from collections.abc import Iterable
from functools import lru_cache

from spc.wheel.frames import Companion, Frame
from spc.wheel.loss import Stakes, Zone
from spc.wheel.settings import CostSettings

#: Share of the loss off target that counts where there is no target: just enough that a level
#: does not wander without end on the side that has no limit (judgement).
UNTARGETED = 0.005


def at_stake(cost: CostSettings, frame: Frame, companions: Iterable[Companion]) -> Stakes:
    """What leading size and companions risk; shifts are rounded so that answers are cached."""
    width = frame.half_width
    pitch = 0.05 * width
    others = []
    for other in companions:
        shift = pitch * round(other.shift / pitch) if other.count > 3 else 0.0
        ratio = min(max(round(2 * other.spread_ratio) / 2, 0.5), 2.0)
        others.append((other.frame.lower, other.frame.upper, shift, ratio))
    # Their order means nothing; a settled one makes equal questions look equal.
    zones = ((frame.lower, frame.upper), *sorted(others))
    square = cost.off_target_loss * (UNTARGETED if frame.aimed_by_limit else 1.0)
    return _stakes(square, cost.scrap, cost.rework, width, zones)


@lru_cache(maxsize=256)
def _stakes(
    off_target: float, scrap: float, rework: float, width: float, zones: tuple[tuple[float, ...]]
) -> Stakes:
    """The same object for the same figures, which makes looking up answers quick."""
    return Stakes(off_target, scrap, rework, width, tuple(Zone(*zone) for zone in zones))
