"""Does a shape fit? Tests whose p-values know that the parameters were estimated from the data."""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.capability.fitting import Cells, Fit, applies, cell_shares, cells, fit, refit
from spc.capability.shapes import FAMILIES, Shape

Array = NDArray[np.float64]
#: A shape is refused below this p-value: one honest run in a hundred, with any shape.
REFUSED_BELOW = 0.01
#: What a third parameter must win beyond Akaike's criterion. A flattened shape promises short
#: tails; by the criterion alone it takes one normal run in twenty and claims too much for it (by
#: simulation), with this one in four hundred.
THIRD_COSTS = 6.0
#: Parts from which half the draws do.
LONG_RUN = 1000
_SEED = 20_140_135  # any fixed number: the same run gives the same p-value


@dataclass(frozen=True)
class EdfStatistics:
    """Distances between the steps of the data and a shape: A², W² and D."""

    anderson_darling: float
    cramer_von_mises: float
    kolmogorov: float


@dataclass(frozen=True)
class NormalityTest:
    """Anderson-Darling test of normality with mean and standard deviation estimated."""

    mean: float
    sd: float
    statistic: float
    modified: float
    p_value: float
    n: int


@dataclass(frozen=True, eq=False)
class FitTest:
    """
    How well a fitted shape fits, by a parametric bootstrap that refits every sample.

    `replicas` are the refitted parameters, shape (samples, parameters): what the parameters
    could have come out as. Readings in no more cells than the shape has parameters, such as all
    in one step of the gauge, tell no shape: infinite statistic, p-value 0, no refits.
    """

    fit: Fit
    statistic: float
    p_value: float
    replicas: Array = field(repr=False)

    @property
    def shape(self) -> Shape:
        """The shape tested."""
        return self.fit.shape

    @property
    def accepted(self) -> bool:
        """Whether the data leave the shape standing."""
        return self.p_value >= REFUSED_BELOW


def edf_statistics(x: ArrayLike, shape: Shape) -> EdfStatistics:
    """
    Anderson-Darling A², Cramér-von Mises W² and Kolmogorov D of readings against a shape.

    References
    ----------
    .. [1] D'Agostino & Stephens, Goodness-of-Fit Techniques (1986), chapter 4.
    """
    ordered = np.sort(np.asarray(x, float))
    n = len(ordered)
    below, above = shape.cdf(ordered), shape.sf(ordered)
    i = np.arange(1, n + 1)
    logs = np.log(np.maximum(below, 1e-300)) + np.log(np.maximum(above[::-1], 1e-300))
    return EdfStatistics(
        float(-n - ((2 * i - 1) * logs).sum() / n),
        float(((below - (2 * i - 1) / (2 * n)) ** 2).sum() + 1 / (12 * n)),
        float(max((i / n - below).max(), (below - (i - 1) / n).max())),
    )


def normality(x: ArrayLike) -> NormalityTest:
    """
    Anderson-Darling test of normality, mean and standard deviation estimated.

    Parameters
    ----------
    x : array_like, shape (n,)
        At least 8 readings, not all alike. Readings rounded to steps coarser than half a
        standard deviation look less normal than they are: use `fit_test` with the step.

    Returns
    -------
    NormalityTest

    References
    ----------
    .. [1] D'Agostino & Stephens, Goodness-of-Fit Techniques (1986), tables 4.7 and 4.9.
    """
    x = np.asarray(x, float)
    n = len(x)
    if n < 8:
        raise ValueError(f"{n} readings; the test needs 8")
    mean, sd = float(x.mean()), float(x.std(ddof=1))
    if not sd > 0:
        raise ValueError("all readings are alike; there is no shape to test")
    statistic = edf_statistics(x, Shape(FAMILIES["normal"], (mean, sd))).anderson_darling
    modified = statistic * (1 + 0.75 / n + 2.25 / n**2)
    return NormalityTest(mean, sd, statistic, modified, normality_p_value(modified), n)


def normality_p_value(modified: float) -> float:
    """
    Tail probability of the modified Anderson-Darling statistic, both parameters estimated.

    Parameters
    ----------
    modified : float
        ``A² (1 + 0.75/n + 2.25/n²)``.

    References
    ----------
    .. [1] D'Agostino & Stephens, Goodness-of-Fit Techniques (1986), table 4.9.

    Examples
    --------
    >>> round(normality_p_value(0.752), 3)
    0.05
    """
    a = modified
    if a >= 0.6:
        return math.exp(1.2937 - 5.709 * a + 0.0186 * a**2) if a < 13 else 0.0
    if a >= 0.34:
        return math.exp(0.9177 - 4.279 * a - 1.38 * a**2)
    if a >= 0.2:
        return 1 - math.exp(-8.318 + 42.796 * a - 59.938 * a**2)
    return 1 - math.exp(-13.436 + 101.14 * a - 223.73 * a**2)


def shapiro_wilk(x: ArrayLike) -> tuple[float, float]:
    """
    Shapiro-Wilk W and its p-value, from scipy.

    Parameters
    ----------
    x : array_like, shape (n,)
        3 to 5,000 readings.

    References
    ----------
    .. [1] Shapiro & Wilk (1965), Biometrika 52, 591-611.
    """
    from scipy.stats import shapiro

    found = shapiro(np.asarray(x, float))
    return float(found.statistic), float(found.pvalue)


def fit_test(
    name: str, readings: ArrayLike, *, step: float | None = None, samples: int = 400
) -> FitTest:
    """
    Fit one shape and test the fit.

    Parameters
    ----------
    name : str
        A key of `spc.capability.shapes.FAMILIES`.
    readings : array_like, shape (n,)
    step : float, optional
        Rounding of the readings; each sample of the bootstrap is rounded alike.
    samples : int, default 400
        Bootstrap samples; the smallest p-value is ``1 / (samples + 1)``.

    Returns
    -------
    FitTest

    Notes
    -----
    Anderson-Darling for readings counted in cells [1]_. Samples are drawn from the fitted shape,
    refitted and measured against their own fit; the p-value is the share of them that fit worse
    than the data [2]_. The random numbers are seeded.

    References
    ----------
    .. [1] Choulakian, Lockhart & Stephens (1994), Canadian J. Statistics 22, 125-137.
    .. [2] Stute, Gonzáles Manteiga & Presedo Quindimil (1993), Metrika 40, 243-256.
    """
    return _test(fit(name, readings, step=step), np.asarray(readings, float), samples)


def _test(fitted: Fit, readings: Array, samples: int) -> FitTest:
    family = fitted.shape.family
    grouped = cells(readings, step=fitted.step, positive=family.positive)
    theta = np.array([fitted.shape.theta])
    if np.count_nonzero(grouped.counts) <= family.free:
        # So few cells hold any reading that every shape would pass: nothing is told of it.
        return FitTest(fitted, math.inf, 0.0, theta)
    statistic = _grouped_anderson_darling(
        grouped.counts[None, :], cell_shares(family, grouped.edges, theta)
    )[0]
    counts = _drawn(grouped, cell_shares(family, grouped.edges, theta)[0], samples)
    replicas = refit(family, grouped, counts, fitted.shape.theta)
    worse = _grouped_anderson_darling(counts, cell_shares(family, grouped.edges, replicas))
    p_value = (1 + int((worse >= statistic).sum())) / (samples + 1)
    return FitTest(fitted, float(statistic), p_value, replicas)


def fit_tests(
    names: tuple[str, ...],
    readings: ArrayLike,
    *,
    step: float | None = None,
    samples: int = 400,
) -> tuple[FitTest, ...]:
    """
    Every shape that can hold the readings, tested: accepted ones first, the best in front.

    See `best_fit` for what makes a shape better.
    """
    tests = [
        _test(found, np.asarray(readings, float), samples)
        for found in _fits(names, readings, step=step)
    ]
    return tuple(sorted(tests, key=lambda test: not test.accepted))


def best_fit(
    names: tuple[str, ...],
    readings: ArrayLike,
    *,
    step: float | None = None,
    samples: int | None = None,
) -> FitTest | None:
    """
    The first shape, from the best, that its fit test leaves standing; None when none is.

    Better is the smaller Akaike criterion; a third parameter must win `THIRD_COSTS` more.
    """
    if samples is None:
        # Bounds of a long run are narrow: where they lie within their own blur matters less.
        samples = 400 if len(np.asarray(readings)) < LONG_RUN else 200
    for found in _fits(names, readings, step=step):
        test = _test(found, np.asarray(readings, float), samples)
        if test.accepted:
            return test
    return None


def _fits(names: tuple[str, ...], readings: ArrayLike, *, step: float | None) -> list[Fit]:
    x = np.asarray(readings, float)
    different = len(np.unique(x))
    found = [
        fit(name, x, step=step)
        for name in names
        if applies(name, x, step=step)
        and different > FAMILIES[name].free
        and len(x) >= FAMILIES[name].least_parts
    ]
    return sorted(found, key=lambda one: one.aic + THIRD_COSTS * max(0, one.shape.family.free - 2))


def _drawn(grouped: Cells, share: Array, samples: int) -> Array:
    generator = np.random.default_rng(_SEED)
    return generator.multinomial(grouped.n, share / share.sum(), size=samples).astype(float)


def _grouped_anderson_darling(counts: Array, share: Array) -> Array:
    """A² of counts in cells, one value a row."""
    n = counts.sum(1, keepdims=True)
    share = share / share.sum(1, keepdims=True)
    apart = np.cumsum(counts - n * share, 1)[:, :-1]
    below = np.cumsum(share, 1)[:, :-1]
    room = np.maximum(below * (1 - below), 1e-12)
    weight = (share[:, :-1] + share[:, 1:]) / 2
    return np.asarray((apart**2 * weight / room).sum(1) / n[:, 0])
