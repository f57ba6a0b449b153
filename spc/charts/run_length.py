"""How often a chart cries wolf, and how soon it sees a shift: run lengths of what is chosen."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from spc.charts import integral, simulated
from spc.charts.chain import chain
from spc.charts.patterns import Pattern, chosen
from spc.sigma import D2

#: Series simulated when a pattern of order joins; the standard error is then about 1 %.
RUNS = 10_000
SEED = 20_260_101


@dataclass(frozen=True)
class RunLength:
    """
    Plotted points to the first signal.

    Attributes
    ----------
    mean : float
        The average run length.
    sd : float
        Standard deviation of single run lengths; NaN where it was not computed.
    how : str
        "Markov chain", "integral equation", "chance of each point" or "simulation".
    error : float
        Standard error of `mean`; 0 where it was computed exactly.
    shift : float
        Of the process, in standard errors of a plotted point.
    what : str
        What was watched for, in words.
    """

    mean: float
    sd: float
    how: str
    error: float
    shift: float
    what: str

    @property
    def exact(self) -> bool:
        """Whether it was computed, not simulated."""
        return self.error == 0

    @property
    def words(self) -> str:
        """One sentence with the number and where it comes from."""
        if self.exact:
            size, source = f"{self.mean:.3g}", f"exact: {self.how}"
        else:
            size = f"{self.mean:.3g} ± {2 * self.error:.2g}"
            source = f"simulated, {RUNS:,} runs, seed {SEED}; ± two standard errors"
        event = "a false alarm" if self.shift == 0 else f"a shift of {self.shift:g} sigma is seen"
        return f"{event} after {size} points on average ({source}), watching for {self.what}"


def of_patterns(
    patterns: Iterable[str | Pattern] | None = None,
    shift: float = 0.0,
    *,
    one_side: int = 9,
    climb: int = 6,
    runs: int = RUNS,
    seed: int = SEED,
) -> RunLength:
    """
    Run length of patterns watched together on a chart of independent normal points.

    Parameters
    ----------
    patterns : iterable of str or Pattern, optional
        As for `signals.watch`; None: the default pair.
    shift : float
        Of the process, in standard errors of a plotted point: for means of n parts,
        ``sqrt(n)`` times the shift in sigmas of a part.
    one_side, climb : int
        Lengths of these two.
    runs, seed : int
        Of the simulation, where a pattern of order (climb, see-saw) joins.

    Returns
    -------
    RunLength
        Exact by Markov chain for patterns of distance [1]_; simulated, with its standard
        error, when a pattern of order joins.

    Notes
    -----
    Limits are taken as known. Limits from a short base are themselves off, and the true run
    length then lies on either side of this one.

    References
    ----------
    .. [1] C. W. Champ and W. H. Woodall (1987), Technometrics 29, 393-399.

    Examples
    --------
    >>> round(of_patterns(["beyond", "one_side"], one_side=8).mean, 2)
    152.73
    """
    watched = chosen(patterns, one_side=one_side, climb=climb)
    if not watched:
        raise ValueError("no pattern is watched for: name at least one")
    return _of_patterns(watched, float(shift), runs, seed)


@lru_cache(maxsize=128)
def _of_patterns(watched: tuple[Pattern, ...], shift: float, runs: int, seed: int) -> RunLength:
    what = "; ".join(pattern.words for pattern in watched)
    if any(pattern.order for pattern in watched):
        length = simulated.of_patterns(watched, shift, runs=runs, seed=seed)
        mean, error = simulated.mean_and_error(length)
        return RunLength(mean, float(length.std(ddof=1)), "simulation", error, shift, what)
    mean, sd = chain(watched).moments(shift)
    return RunLength(mean, sd, "Markov chain", 0.0, shift, what)


def of_drift(
    drift: float,
    patterns: Iterable[str | Pattern] | None = None,
    *,
    one_side: int = 9,
    climb: int = 6,
    runs: int = RUNS,
    seed: int = SEED,
) -> RunLength:
    """
    Run length on a process that starts on the centre and drifts steadily, by simulation.

    Parameters
    ----------
    drift : float
        In standard errors a plotted point.
    patterns, one_side, climb, runs, seed
        As for `of_patterns`.

    Returns
    -------
    RunLength
        Its `shift` is the drift.

    Examples
    --------
    >>> round(of_drift(0.1).mean)
    15
    """
    watched = chosen(patterns, one_side=one_side, climb=climb)
    length = simulated.of_patterns(watched, runs=runs, seed=seed, drift=drift)
    mean, error = simulated.mean_and_error(length)
    what = "; ".join(pattern.words for pattern in watched)
    return RunLength(mean, float(length.std(ddof=1)), "simulation", error, drift, what)


def in_control(
    patterns: Iterable[str | Pattern] | None = None, *, one_side: int = 9, climb: int = 6
) -> RunLength:
    """
    Points between false alarms on a stable process.

    Parameters
    ----------
    patterns, one_side, climb
        As for `of_patterns`.

    Examples
    --------
    >>> round(in_control(["beyond"]).mean, 1)
    370.4
    """
    return of_patterns(patterns, one_side=one_side, climb=climb)


def arl(
    patterns: Iterable[str | Pattern] | None = None,
    shift: float = 0.0,
    *,
    one_side: int = 9,
    climb: int = 6,
) -> float:
    """
    Average run length of patterns watched together: `of_patterns`, the number alone.

    Examples
    --------
    >>> round(arl(["beyond"], shift=1.0), 2)
    43.89
    """
    return of_patterns(patterns, shift, one_side=one_side, climb=climb).mean


def false_alarm_chance(
    points: int,
    patterns: Iterable[str | Pattern] | None = None,
    *,
    one_side: int = 9,
    climb: int = 6,
) -> float:
    """
    Chance of at least one false alarm in so many points of a stable process.

    Parameters
    ----------
    points : int
        Plotted points.
    patterns, one_side, climb
        As for `of_patterns`.

    Returns
    -------
    float
        Exact for patterns of distance; from simulated run lengths otherwise.

    Examples
    --------
    >>> round(false_alarm_chance(100, ["beyond"]), 3)
    0.237
    """
    watched = chosen(patterns, one_side=one_side, climb=climb)
    if any(pattern.order for pattern in watched):
        length = simulated.of_patterns(watched, runs=RUNS, seed=SEED)
        return float((length <= points).mean())
    return 1 - float(chain(watched).survival(0.0, points)[-1])


def of_ewma(
    weight: float = 0.2, times: float = 2.86, shift: float = 0.0, *, growing: bool = True
) -> RunLength:
    """
    Run length of a weighted-mean chart, by integral equation.

    Parameters
    ----------
    weight, times
        As for `ewma.ewma_chart`.
    shift : float
        Of the process, in standard errors of a plotted point.
    growing : bool
        Limits follow the exact standard error from the first point, as the chart's do; False:
        they stand where it ends up, as in most published tables.

    Examples
    --------
    >>> round(of_ewma(0.1, 2.814, 1.0, growing=False).mean, 1)
    10.3
    """
    mean = integral.weighted_mean(weight, times, shift, growing=growing)
    what = f"a weighted mean, weight {weight:g}, beyond {times:g} of its standard errors"
    return RunLength(mean, math.nan, "integral equation", 0.0, shift, what)


def of_cusum(
    k: float = 0.5,
    h: float = 4.77,
    shift: float = 0.0,
    *,
    head_start: float = 0.0,
    sides: int = 2,
) -> RunLength:
    """
    Run length of a chart of sums, by integral equation.

    Parameters
    ----------
    k, h, head_start
        As for `cusum.cusum_chart`.
    shift : float
        Of the process, in standard errors of a plotted point.
    sides : int
        2, or 1 for the upward sum alone.

    Examples
    --------
    >>> round(of_cusum(0.5, 4.0, 1.0).mean, 2)
    8.38
    """
    if sides not in (1, 2):
        raise ValueError(f"{sides} sides: a chart of sums has one or two")
    mean_of = integral.both_sums if sides == 2 else integral.sum_up
    mean = mean_of(k, h, shift, head_start=head_start)
    what = f"a sum of what exceeds {k:g} sigma, beyond {h:g} sigma"
    return RunLength(mean, math.nan, "integral equation", 0.0, shift, what)


def of_parts_and_ranges(shift: float = 0.0, *, ratio: float = 1.0) -> RunLength:
    """
    Run length of single parts and moving ranges watched together, each by its three-sigma limit.

    Parameters
    ----------
    shift : float
        Of the process, in sigmas.
    ratio : float
        Sigma as a multiple of the one limits were drawn from.

    Examples
    --------
    >>> round(of_parts_and_ranges().mean)
    105
    """
    mean = integral.values_and_ranges(3.0, D2(2), shift, ratio=ratio)
    what = "a part, or a step between neighbours, beyond its limit"
    return RunLength(mean, math.nan, "integral equation", 0.0, shift, what)


def ewma_limit(length: float, weight: float, *, growing: bool = True) -> float:
    """
    Multiple of the standard error that gives a weighted-mean chart an in-control run length.

    Examples
    --------
    >>> round(ewma_limit(500.0, 0.1, growing=False), 3)
    2.814
    """
    return integral.limit_for(
        length, lambda times: integral.weighted_mean(weight, times, growing=growing), most=12.0
    )


def cusum_limit(length: float, k: float = 0.5, *, head_start_share: float = 0.0) -> float:
    """
    Limit `h` that gives a two-sided chart of sums an in-control run length.

    Parameters
    ----------
    length : float
        Points between false alarms.
    k : float
        Reference value.
    head_start_share : float
        Head start as a share of the limit; one half is usual.

    Examples
    --------
    >>> round(cusum_limit(370.0, 1.0), 2)
    2.52
    """
    return integral.limit_for(
        length, lambda h: integral.both_sums(k, h, head_start=head_start_share * h)
    )
