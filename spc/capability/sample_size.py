"""How many parts answer a question about an index."""

import math


def parts_needed(cpk: float, required: float, *, confidence: float = 0.95) -> int | None:
    """
    About how many parts settle whether an index is above `required`, if it is what it seems.

    Parameters
    ----------
    cpk : float
        The estimate to hand.
    required : float
        The value asked for.
    confidence : float, default 0.95
        Of the two-sided interval that must leave `required` outside.

    Returns
    -------
    int or None
        None when estimate and requirement are too near to tell apart with 100,000 parts.

    Notes
    -----
    From the approximation of `bissell_interval`, which is good enough for planning.

    Examples
    --------
    >>> parts_needed(1.6, 1.33)
    75
    """
    from scipy.special import ndtri

    gap = abs(cpk - required)
    z = float(ndtri(0.5 + confidence / 2))
    if gap == 0:
        return None
    n = math.ceil(z**2 * (1 / 9 + cpk**2 / 2) / gap**2) + 1
    return n if n <= 100_000 else None


def cp_test_ratio(n: int, *, alpha: float = 0.1, beta: float = 0.1) -> float:
    """
    Ratio of the Cp accepted with ``1 - alpha`` to the Cp rejected with ``1 - beta``, for `n` parts.

    Notes
    -----
    A test of Cp with `n` parts accepts a process at the high value with probability
    ``1 - alpha`` and rejects one at the low value with probability ``1 - beta``.

    References
    ----------
    .. [1] Kane (1986), J. Quality Technology 18, 41-52.

    Examples
    --------
    >>> round(cp_test_ratio(50), 2)
    1.3
    """
    from scipy.special import chdtri

    df = n - 1
    return float(math.sqrt(chdtri(df, alpha) / chdtri(df, 1 - beta)))


def cp_test_critical(n: int, *, alpha: float = 0.1) -> float:
    """
    Ratio of the Cp accepted with ``1 - alpha`` to the critical sample value, for `n` parts.

    Notes
    -----
    ``sqrt(chi2 / (n - 1))`` with the upper `alpha` point of chi-square; a sample Cp above the
    critical value passes.

    References
    ----------
    .. [1] Kane (1986), J. Quality Technology 18, 41-52.

    Examples
    --------
    >>> round(cp_test_critical(70, alpha=0.1), 2)
    1.11
    """
    from scipy.special import chdtri

    return math.sqrt(float(chdtri(n - 1, alpha)) / (n - 1))
