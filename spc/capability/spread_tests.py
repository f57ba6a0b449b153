"""Do several samples spread alike?"""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def brown_forsythe(groups: list[Array]) -> tuple[float, float]:
    """
    F statistic and p-value of equal spreads: absolute distances from the medians.

    Parameters
    ----------
    groups : list of array_like
        One sample each; samples of fewer than 3 are left out.

    Returns
    -------
    statistic, p_value : float
        0 and 1 when fewer than two groups are left.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.10.
    """
    from scipy.special import fdtrc

    apart = [np.abs(g - np.median(g)) for g in map(np.asarray, groups) if len(g) >= 3]
    if len(apart) < 2:
        return 0.0, 1.0
    n, k = sum(map(len, apart)), len(apart)
    grand = np.concatenate(apart).mean()
    between = sum(len(a) * (a.mean() - grand) ** 2 for a in apart) / (k - 1)
    inside = sum(((a - a.mean()) ** 2).sum() for a in apart) / (n - k)
    if not inside > 0:
        return 0.0, 1.0
    statistic = float(between / inside)
    return statistic, float(fdtrc(k - 1, n - k, statistic))


def bartlett(groups: list[Array]) -> tuple[float, float]:
    """
    Chi-square statistic and p-value of equal variances for normal samples.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.5.7.
    """
    from scipy.special import chdtrc

    samples = [np.asarray(g, float) for g in groups]
    df = np.array([len(g) - 1 for g in samples], float)
    variance = np.array([g.var(ddof=1) for g in samples])
    pooled = (df * variance).sum() / df.sum()
    top = df.sum() * np.log(pooled) - (df * np.log(variance)).sum()
    spread = (1 / df).sum() - 1 / df.sum()
    statistic = float(top / (1 + spread / (3 * (len(samples) - 1))))
    return statistic, float(chdtrc(len(samples) - 1, statistic))
