"""
How a characteristic behaves over time, by the model that fits.

The models are the eight of ISO 22514-2 (meaning from memory): A1 and A2 constant level and spread,
normal or not; B the spread varies; C1 and C2 the level varies at random, normal or not; C3 the
level follows a trend; C4 trend and random change together; D level and spread vary. Steady wheel
wear is C3; with a scatter of the level from dress to dress it is C4.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from spc.capability.fit_test import normality
from spc.capability.spread_tests import brown_forsythe
from spc.capability.time_parts import OWN_LINE, SIGNIFICANT, TimeParts

Ints = NDArray[np.int64]
_BLOCKS = 10  # consecutive blocks that stand for cycles in a run without dresses
_SEED = 20_140_135

WORDS = {
    "A1": "level and spread constant, normal",
    "A2": "level and spread constant, not normal",
    "B": "level constant, spread changes",
    "C1": "level changes at random, normal about it",
    "C2": "level changes at random, not normal about it",
    "C3": "level drifts with the wheel, the same way in every dress cycle",
    "C4": "level drifts with the wheel, and its start scatters from dress to dress",
    "D": "level and spread both change",
}


@dataclass(frozen=True)
class TimeModel:
    """
    The time model of a run, with the questions that led to it.

    `asked` holds (question, p-value, answer) in the order they were put.
    """

    name: str
    words: str
    asked: tuple[tuple[str, float, str], ...] = field(default=())

    @property
    def scatter_p(self) -> float:
        """p-value of "normal about the level"."""
        return self.asked[-1][1]

    @property
    def is_constant(self) -> bool:
        """Whether level and spread stay as they are."""
        return self.name[0] == "A"

    @property
    def has_path(self) -> bool:
        """Whether the level moves: the total is wider than the scatter at any moment."""
        return self.name[0] in "CD"


def time_model(parts: TimeParts, *, step: float | None = None) -> TimeModel:
    """
    The model of ISO 22514-2 that the run shows.

    Parameters
    ----------
    parts : TimeParts
        The run taken apart.
    step : float, optional
        Rounding of the readings. [µm]

    Returns
    -------
    TimeModel

    References
    ----------
    .. [1] ISO 22514-2:2017, time-dependent distribution models (meaning from memory).
    .. [2] Brown & Forsythe (1974), JASA 69, 364-367 (equality of spreads).
    """
    spread_p = spread_changes(parts)
    shape_p = scatter_normality(parts, step=step)
    spread_varies, normal = spread_p < SIGNIFICANT, shape_p >= SIGNIFICANT
    asked = (
        ("does the level drift inside a dress cycle?", parts.drift_p, _yes(parts.drifts)),
        ("does it scatter from dress to dress?", parts.dress_p, _yes(parts.dress_scatters)),
        ("does the spread change?", spread_p, _yes(spread_varies)),
        ("is the scatter about the level normal?", shape_p, _yes(normal)),
    )
    moves = parts.drifts or parts.dress_scatters
    if spread_varies:
        name = "D" if moves else "B"
    elif parts.drifts:
        name = "C4" if parts.dress_scatters else "C3"
    elif parts.dress_scatters:
        name = "C1" if normal else "C2"
    else:
        name = "A1" if normal else "A2"
    return TimeModel(name, WORDS[name], asked)


def _yes(answer: bool) -> str:
    return "yes" if answer else "no"


def spread_changes(parts: TimeParts) -> float:
    """p-value of "the same spread all along", over dress cycles or consecutive blocks."""
    groups = _groups(parts)
    return brown_forsythe([parts.residual[groups == g] for g in np.unique(groups)])[1]


def _groups(parts: TimeParts) -> Ints:
    counts = np.bincount(parts.cycle)
    if parts.cycles > 1 and np.median(counts) >= OWN_LINE:
        return parts.cycle
    blocks = min(_BLOCKS, max(parts.n // 10, 1))
    return np.asarray(np.arange(parts.n) * blocks // parts.n)


def scatter_normality(parts: TimeParts, *, step: float | None = None) -> float:
    """
    p-value of "normal about the path"; 1 for fewer than 8 parts or no scatter.

    Rounded readings become quantile residuals [1]_: each is spread over the probability its
    interval holds, with seeded random numbers, so that steps do not look like a shape.

    References
    ----------
    .. [1] Dunn & Smyth (1996), J. Computational and Graphical Statistics 5, 236-244.
    """
    if parts.n < 8 or not parts.within_sd > 0:
        return 1.0
    z = parts.residual
    if step:
        from scipy.special import ndtr, ndtri

        # Rounding adds step²/12 to the variance; the scatter below it is what is asked about.
        sd = np.sqrt(max(parts.within_var - step**2 / 12, parts.within_var / 4))
        low, high = ndtr((z - step / 2) / sd), ndtr((z + step / 2) / sd)
        place = np.random.default_rng(_SEED).uniform(size=len(z))
        z = ndtri(np.clip(low + place * (high - low), 1e-15, 1 - 1e-15))
    return normality(z).p_value
