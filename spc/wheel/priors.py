"""What is believed of a process before its first reading."""

from collections.abc import Sequence
from typing import Any

from spc.wheel.drift import DriftPrior
from spc.wheel.settings import Settings

#: Parts per dress assumed when neither plan nor history say (judgement, no source).
LIFE = 60.0
#: Whole cycles of earlier runs that tell it.
TELLING = 3


def habitual_life(settings: Settings, past: Sequence[dict[str, Any]]) -> float:
    """Parts per dress to scale by: the plan's habit, else what earlier runs did."""
    if settings.habit is not None:
        return settings.habit
    ended = _ended(past)
    return float(ended[len(ended) // 2]) if ended else LIFE


def life_told(settings: Settings, past: Sequence[dict[str, Any]]) -> bool:
    """Whether `habitual_life` is more than an assumption."""
    return settings.habit is not None or bool(_ended(past))


def _ended(past: Sequence[dict[str, Any]]) -> list[int]:
    whole = [c for c in past if c["ended_by"] == "dress" and c["age_known"]]
    return sorted(c["parts"] for c in whole) if len(whole) >= TELLING else []


def entry_prior(life: float, width: float) -> DriftPrior:
    """Entry beliefs, scaled by tolerance and life: about a half width of wear per dress."""
    return DriftPrior(
        life=life,
        base_sd=1.0 * width,
        slope=0.7 * width / life,
        slope_sd=1.0 * width / life,
        warmth=0.0,
        warmth_sd=0.35 * width,
        break_in=0.1 * width,
        break_in_sd=0.2 * width,
        curve_sd=1.2 * width / life,
        bend_sd=3.0 * width / life,
    )
