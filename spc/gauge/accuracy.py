"""Does the gauge read true? Bias at one size, and how it changes over the range of sizes."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc import sigma

Array = NDArray[np.float64]
#: p-value below which the means do not lie on one line. With 2 %, the two steps (line or no line,
#: then its bounds or those of the sizes) wrong a true gauge in at most 5 of 100 studies.
OFF_LINE = 0.02
#: Scatter about the line, as a share of the sizes, that is the computer's rounding alone.
_ROUNDING = 1e-10


@dataclass(frozen=True)
class Bias:
    """
    Mean reading of a reference minus its true value. [unit of the readings]

    Attributes
    ----------
    n : int
        Readings.
    mean, bias : float
    repeat : float
        Spread of the readings.
    error : float
        Standard error of the bias.
    t, df, p_value : float
        Student's t of "no bias".
    lower, upper : float
        Bounds of the bias.
    """

    n: int
    mean: float
    bias: float
    repeat: float
    error: float
    t: float
    df: float
    p_value: float
    lower: float
    upper: float

    @property
    def proven(self) -> bool:
        """Whether zero lies outside the bounds: the gauge does not read true."""
        return not self.lower <= 0 <= self.upper


@dataclass(frozen=True, eq=False)
class Linearity:
    """
    Bias as a straight line over the reference sizes: ``bias = intercept + slope · reference``.

    Attributes
    ----------
    references, biases : ndarray, shape (sizes,)
        Reference sizes and the mean bias at each.
    slope, intercept : float
    slope_error, intercept_error : float
        Standard errors.
    t_slope, t_intercept, p_slope, p_intercept : float
        Student's t and p-value of "0".
    residual : float
        Spread of single biases about the line, with `df` degrees of freedom.
    r_squared : float
    lower, upper : ndarray, shape (sizes,)
        Bounds of the mean bias at each size, by the line; they hold at all sizes together.
    n : int
        Readings; `center` is their mean reference.
    student : float
        Student's t of the bounds of the slope.
    factor : float
        Standard errors from the line to its bounds: √(2 F) of Working and Hotelling [1]_.
    p_line : float
        p-value of "the means at the sizes lie on one straight line"; NaN when there are only two
        sizes or no repeats to judge it by. 0 where repeats are identical and the means are off.
    own_lower, own_upper : ndarray, shape (sizes,)
        Bounds of the bias at each size by its own readings alone, together for all sizes
        (Bonferroni); NaN for a size read once.

    References
    ----------
    .. [1] Working, Hotelling, Applications of the theory of error to the interpretation of trends,
       Journal of the American Statistical Association 24 (1929) 73-85.
    """

    references: Array
    biases: Array
    slope: float
    intercept: float
    slope_error: float
    intercept_error: float
    t_slope: float
    t_intercept: float
    p_slope: float
    p_intercept: float
    residual: float
    df: int
    r_squared: float
    lower: Array
    upper: Array
    n: int
    center: float
    student: float
    factor: float
    p_line: float
    own_lower: Array
    own_upper: Array

    def line(self, reference: ArrayLike) -> Array:
        """Mean bias by the line, at any reference size."""
        return self.intercept + self.slope * np.asarray(reference, float)

    def bounds(self, reference: ArrayLike) -> tuple[Array, Array]:
        """Bounds of the mean bias by the line, at any reference size; they hold at all at once."""
        away = np.asarray(reference, float) - self.center
        error = np.sqrt(self.residual**2 / self.n + (self.slope_error * away) ** 2)
        return self.line(reference) - self.factor * error, self.line(
            reference
        ) + self.factor * error

    @property
    def slope_bounds(self) -> tuple[float, float]:
        """Bounds of the slope, by themselves."""
        reach = self.student * self.slope_error
        return self.slope - reach, self.slope + reach

    @property
    def bent(self) -> bool:
        """Whether the means do not lie on one line, so that each size is judged by itself."""
        return self.p_line < OFF_LINE

    @property
    def judged(self) -> tuple[Array, Array]:
        """Bounds at the sizes that the judgement goes by: of the line, or of each size's own."""
        return (self.own_lower, self.own_upper) if self.bent else (self.lower, self.upper)

    @property
    def proven(self) -> NDArray[np.bool_]:
        """Whether an error is proven, for each size."""
        lower, upper = self.judged
        return (lower > 0) | (upper < 0)

    @property
    def true_everywhere(self) -> bool | None:
        """
        Whether no bias is possible at every reference size; None when it cannot be told.

        It cannot where the means are off the line, as those of a true gauge seldom are, and yet no
        single size proves an error. A gauge that reads true everywhere is wronged in at most 5 of
        100 studies, however many sizes there are; bounds that hold at each size alone would wrong
        it in 10 to 13.
        """
        if self.proven.any():
            return False
        return None if self.bent else True


def bias(
    readings: ArrayLike, reference: float, *, by: str = "deviations", confidence: float = 0.95
) -> Bias:
    """
    Bias of a gauge from repeated readings of a reference.

    Parameters
    ----------
    readings : array_like, shape (n,)
        At least 2, ten or more by custom.
    reference : float
        Its true value.
    by : {"deviations", "range"}
        Spread from the standard deviation, or from the range of all readings with the degrees of
        freedom of a range.
    confidence : float, default 0.95

    Returns
    -------
    Bias

    Notes
    -----
    With `by="range"` the bounds use ``d2 / d2*`` of the standard error, as the manuals on
    measurement systems do.

    Examples
    --------
    >>> found = bias([5.8, 6.1, 6.0, 6.2, 5.9], 6.0)
    >>> round(found.bias, 3), found.proven
    (0.0, False)
    """
    from scipy.special import stdtr, stdtrit

    x = np.asarray(readings, float)
    n = len(x)
    if x.ndim != 1 or n < 2 or not np.all(np.isfinite(x)):
        raise ValueError("readings must be one row of at least 2 finite values")
    if by == "deviations":
        repeat, df, narrow = float((x - x[0]).std(ddof=1)), float(n - 1), 1.0
    elif by == "range":
        repeat, df = float(np.ptp(x)) / sigma.d2_star(n), sigma.range_degrees(n)
        narrow = sigma.d2(n) / sigma.d2_star(n)
    else:
        raise ValueError(f"by is {by!r}; use 'deviations' or 'range'")
    # Differences first: readings that all equal the reference leave exactly nothing.
    off, error = float((x - reference).mean()), repeat / math.sqrt(n)
    t = off / error if error > 0 else math.copysign(math.inf, off) if off else 0.0
    p = 2 * float(stdtr(df, -abs(t)))
    reach = float(stdtrit(df, 0.5 + confidence / 2)) * error * narrow
    return Bias(n, float(x.mean()), off, repeat, error, t, df, p, off - reach, off + reach)


def linearity(reference: ArrayLike, reading: ArrayLike, *, confidence: float = 0.95) -> Linearity:
    """
    How the bias of a gauge changes with size, by least squares.

    Parameters
    ----------
    reference, reading : array_like, shape (n,)
        True value of the reference and the reading taken of it; at least 2 different references
        and 3 readings.
    confidence : float, default 0.95
        Of the bounds of the mean bias at all sizes together.

    Returns
    -------
    Linearity

    Examples
    --------
    >>> found = linearity([2, 2, 4, 4, 6, 6], [2.1, 2.2, 4.0, 4.1, 5.9, 6.0])
    >>> round(found.slope, 3), round(found.intercept, 3)
    (-0.05, 0.25)
    """
    from scipy.special import fdtri, stdtr, stdtrit

    x, y = np.asarray(reference, float), np.asarray(reading, float)
    if x.shape != y.shape or x.ndim != 1 or not np.all(np.isfinite(x + y)):
        raise ValueError("reference and reading must be finite and of the same length")
    if len(np.unique(x)) < 2 or len(x) < 3:
        raise ValueError("linearity needs 2 different references and 3 readings")
    off, n, df = y - x, len(x), len(x) - 2
    sxx = float(((x - x.mean()) ** 2).sum())
    slope = float(((x - x.mean()) * off).sum()) / sxx
    intercept = float(off.mean()) - slope * float(x.mean())
    left = off - intercept - slope * x
    residual = math.sqrt(float(left @ left) / df)
    slope_error = residual / math.sqrt(sxx)
    intercept_error = residual * math.sqrt(1 / n + float(x.mean()) ** 2 / sxx)
    spread = float(((off - off.mean()) ** 2).sum())
    sizes = np.unique(x)
    own = [_own_bounds(y[x == size], float(size), len(sizes), confidence) for size in sizes]
    line = intercept + slope * sizes
    error = residual * np.sqrt(1 / n + (sizes - x.mean()) ** 2 / sxx)
    factor = math.sqrt(2 * float(fdtri(2, df, confidence)))
    reach = factor * error
    t_slope, t_intercept = (
        value / own if own > 0 else math.copysign(math.inf, value) if value else 0.0
        for value, own in ((slope, slope_error), (intercept, intercept_error))
    )
    return Linearity(
        references=sizes,
        biases=np.array([off[x == size].mean() for size in sizes]),
        slope=slope,
        intercept=intercept,
        slope_error=slope_error,
        intercept_error=intercept_error,
        t_slope=t_slope,
        t_intercept=t_intercept,
        p_slope=2 * float(stdtr(df, -abs(t_slope))),
        p_intercept=2 * float(stdtr(df, -abs(t_intercept))),
        residual=residual,
        df=df,
        r_squared=1 - float(left @ left) / spread if spread > 0 else 0.0,
        lower=line - reach,
        upper=line + reach,
        n=n,
        center=float(x.mean()),
        student=float(stdtrit(df, 0.5 + confidence / 2)),
        factor=factor,
        p_line=_on_one_line(x, off, float(left @ left)),
        own_lower=np.array([low for low, _ in own]),
        own_upper=np.array([high for _, high in own]),
    )


def together(confidence: float, sizes: int) -> float:
    """
    Confidence at each of some sizes, so that all of them hold together (Bonferroni).

    Examples
    --------
    >>> round(together(0.95, 5), 6)
    0.99
    """
    return 1 - (1 - confidence) / sizes


def _own_bounds(readings: Array, size: float, sizes: int, confidence: float) -> tuple[float, float]:
    if len(readings) < 2:
        return math.nan, math.nan
    found = bias(readings, size, confidence=together(confidence, sizes))
    return found.lower, found.upper


def _on_one_line(x: Array, off: Array, about_line: float) -> float:
    """p-value of the lack of fit: scatter of the means about the line, against their own."""
    from scipy.special import fdtrc

    sizes = np.unique(x)
    # From the first reading of each size, so that identical repeats leave exactly nothing.
    away = [off[x == size] - off[x == size][0] for size in sizes]
    own = sum(float(((each - each.mean()) ** 2).sum()) for each in away)
    between, within = len(sizes) - 2, len(x) - len(sizes)
    if between < 1 or within < 1:
        return math.nan
    if own <= 0:
        rounding = _ROUNDING * float(np.abs([x, x + off]).max())
        return 0.0 if about_line > len(x) * rounding**2 else math.nan
    return float(fdtrc(between, within, max(about_line - own, 0.0) / between / (own / within)))
