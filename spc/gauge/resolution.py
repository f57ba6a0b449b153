"""Are the gauge's steps fine enough for what is asked of the readings?"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

# A step r adds r²/12 to the variance. The spread before rounding is sigma; these are the ratios of
# the step to the *observed* spread at which r = sigma (+4 % spread) and r = 2 sigma. Charts of
# readings in steps above one spread signal falsely: Wheeler & Chambers, Understanding Statistical
# Process Control, on inadequate measurement units (from memory).
_COARSE = 1 / math.sqrt(1 + 1 / 12)
_MISLEADING = 2 / math.sqrt(1 + 4 / 12)


@dataclass(frozen=True)
class Resolution:
    """
    Step of the readings against their spread.

    Attributes
    ----------
    step : float
        Smallest step between readings; 0 when none was found. [µm]
    sigma : float
        Spread of the readings. [µm]
    ratio : float or None
        ``step / sigma``; None when the readings do not spread at all.
    coarse : bool
        The step is as large as the spread: limits and fits are widened by it.
    misleading : bool
        The step is twice the spread: charts and indices of these readings mislead.
    words : str
        The same in one sentence.
    """

    step: float
    sigma: float
    ratio: float | None
    coarse: bool
    misleading: bool
    words: str


def resolution(readings: ArrayLike, *, step: float | None = None, sigma: float) -> Resolution:
    """
    Judge the step of the readings against their spread.

    Parameters
    ----------
    readings : array_like, shape (n,)
        Single readings as they came from the gauge. [µm]
    step : float, optional
        Step of the gauge; None or 0: found in the readings. A coarser step seen in the readings
        counts instead. [µm]
    sigma : float
        Spread of the process as observed through this gauge. [µm]

    Returns
    -------
    Resolution

    Examples
    --------
    >>> found = resolution([5, 6, 5, 5, 4, 6, 5], sigma=0.69)
    >>> found.step, found.coarse, found.misleading
    (1.0, True, False)
    """
    seen = observed_step(readings)
    step = max(seen, step or 0.0)
    if not step > 0:
        return Resolution(0.0, float(sigma), 0.0, False, False, "The readings show no steps.")
    ratio = step / sigma if sigma > 0 else None
    coarse = ratio is None or ratio >= _COARSE
    misleading = ratio is None or ratio >= _MISLEADING
    words = _words(step, ratio, coarse, misleading)
    return Resolution(step, float(sigma), ratio, coarse, misleading, words)


def observed_step(readings: ArrayLike) -> float:
    """
    The step all readings are multiples of, apart from a common start; 0 when there is none.

    Examples
    --------
    >>> observed_step([0.2, 1.0, 0.6, 2.2])
    0.4
    >>> observed_step([1.0, 1.0])
    0.0
    """
    values = np.unique(np.asarray(readings, float))
    if len(values) < 2:
        return 0.0
    # Written readings carry at most six digits after the mark; beyond that lies float noise.
    whole = np.rint((values - values[0]) * 1e6)
    if np.abs((values - values[0]) * 1e6 - whole).max() > 0.01:
        return 0.0
    step = int(np.gcd.reduce(whole.astype(np.int64)))
    found = step / 1e6
    # Readings that fill less than a hundredth of their grid prove no step.
    return found if (values[-1] - values[0]) / found <= 100 * len(values) else 0.0


def _words(step: float, ratio: float | None, coarse: bool, misleading: bool) -> str:
    if ratio is None:
        return f"All readings are alike: steps of {step:g} µm cannot show the spread at all."
    share = f"steps of {step:g} µm are {ratio:.2g} of the spread"
    if misleading:
        return f"Too coarse: {share}; charts and indices of these readings mislead."
    if coarse:
        added = 100 * (1 / math.sqrt(1 - ratio**2 / 12) - 1)
        return f"Coarse: {share} and widen it by {added:.0f} %; a finer gauge would show more."
    return f"Fine enough: {share}."
