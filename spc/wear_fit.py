"""What the dress cycles of one run tell of the process: wear, its spread, and how sure that is."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spc.adviser.model import DULLINGS, wear, widening
from spc.errors import NotEnough

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Fewest cycles, dressed at both ends, that tell anything of how cycles differ (our choice).
FEWEST_CYCLES = 3
#: Fewest measured parts of a cycle that say anything of its wear.
FEWEST_PARTS = 4
#: Cycles that are used, measured parts of one of them, and all in all as far as that leaves each
#: cycle its `FEWER_PARTS`; more change little and take their time.
MOST_CYCLES, MOST_PARTS, FEWER_PARTS, MOST_VALUES = 40, 40, 16, 400
#: A reading this many spreads from the curve is a slip of hand or gauge and is left out.
SLIP_SDS = 5.0
#: A spread below this is rounding of the arithmetic, not of a gauge. [µm]
_NO_SPREAD_UM = 1e-4
#: Spread of slopes between cycles (over the known age), size of the slow wave and its memory per
#: part: in spreads of single young parts.
_SLOPES = (0.0, 1.0, 2.5, 6.0)
_WAVES = ((0.0, 0.0), (0.4, 0.8), (0.4, 0.96), (1.0, 0.8), (1.0, 0.96))
#: How wheels age: a life as a share of the known age, and how they dull past it.
_AGEING = np.array([(1.0, 0.0), *product((0.15, 0.25, 0.4, 0.6), DULLINGS)])
#: Settling, and growth one life past the life, are held against a spread of so many standard
#: deviations of single parts: wide beside the start values of `spc.adviser.model`.
_PRIOR_SDS = np.array([np.inf, 3.0, 8.0])


@dataclass(frozen=True, eq=False)
class MeasuredCycle:
    """
    The measured parts of one dress cycle.

    `ages` counts parts since the dress, shape (m,); `bare_um` is their size with the offsets in
    force taken out and mirrored so that wear goes up, shape (m,); `finished`: a dress ended it.
    """

    ages: Ints
    bare_um: Floats
    finished: bool = True

    def __len__(self) -> int:
        return len(self.ages)


@dataclass(frozen=True, eq=False)
class WearFit:
    """
    A process as one run shows it, wear being upward.

    Attributes
    ----------
    beta : ndarray, shape (3,)
        Slope per part, settling, and growth of the level one life past the life. [µm]
    sd_um, life, dulling : float
        Spread of single readings about the level when the wheel is fresh, and how it and the level
        grow past a life; see `spc.adviser.model`. [µm, parts, per life]
    slope_sd_um : float
        Standard deviation of the drift between cycles. [µm per part]
    wave_sd_um, wave_keep : float
        Slow wave of the level and how much of it is left one part later.
    """

    beta: Floats
    sd_um: float
    life: float
    dulling: float
    slope_sd_um: float
    wave_sd_um: float
    wave_keep: float

    def curve_um(self, ages: ArrayLike) -> Floats:
        """Mean growth from the dress to each age. [µm]"""
        return np.asarray(wear(ages, self.life) @ self.beta)

    def sd_at(self, ages: ArrayLike) -> Floats:
        """Spread of single readings about the level at each age. [µm]"""
        return np.asarray(self.sd_um * widening(ages, self.life, self.dulling))

    def wave_covariance(self, ages: ArrayLike, others: ArrayLike) -> Floats:
        """Covariance of the slow wave between two rows of ages, shape (len, len). [µm²]"""
        apart = np.abs(np.subtract.outer(np.asarray(ages, float), np.asarray(others, float)))
        return np.asarray(self.wave_sd_um**2 * self.wave_keep**apart)


#: Sums that a cycle adds at each point of the grid.
_SUMS = 14


class CyclesFit:
    """
    The process fitted to the dress cycles of a run, and again to cycles drawn from them.

    Parameters
    ----------
    cycles : sequence of MeasuredCycle
        Of known age, in order.

    Attributes
    ----------
    best : WearFit
        The fit to all cycles.
    pool : ndarray, shape (k, 2)
        The fit's own residuals of single parts: age, and residual in spreads of that age.
    slips : int
        Readings left out as slips.

    Raises
    ------
    NotEnough
        Below `FEWEST_CYCLES` finished cycles with `FEWEST_PARTS` measured parts each.

    Notes
    -----
    Within cycle c the reading at age n is ``a_c + X(n) β + u_c n + wave(n) + e``: a level of its
    own, a mean curve common to all cycles (the wear of `spc.adviser.model`), a drift of its own, an
    autoregressive wave, and scatter that widens past the life. Levels have a flat prior; the life
    and the ratios of variances are those of largest restricted likelihood on a grid [1]_.
    `drawn` weighs the cycles at random (Bayesian bootstrap [2]_) with the concentration at which
    the spread of a weighted mean of C cycles is its usual standard error, (C - 2)/C, refits, and
    takes each life and widening as often as their profile likelihood says. Weights alone would
    give no spread to what few cycles tell, such as the scatter of an old wheel; the likelihood
    alone would trust that cycles differ by nothing but what the model names.

    References
    ----------
    .. [1] D. A. Harville (1977), Maximum likelihood approaches to variance component estimation,
       JASA 72, 320-338 (from memory).
    .. [2] D. B. Rubin (1981), The Bayesian bootstrap, Annals of Statistics 9, 130-134 (from
       memory).
    """

    def __init__(self, cycles: Sequence[MeasuredCycle]) -> None:
        told = enough(cycles)
        # One long cycle alone would stretch what lives are told on.
        self._known_to = int(sorted(cycle.ages.max() for cycle in told)[-FEWEST_CYCLES])
        every = max(1, -(-len(told) // MOST_CYCLES))
        most = min(MOST_PARTS, max(FEWER_PARTS, MOST_VALUES // len(told[::every])))
        used = [thinned(cycle, most) for cycle in told[::every]]
        self.cycles, self.slips = used, 0
        self._sums = self._all_sums()
        self.best = self._refit(np.ones(len(used)))
        if self.best.sd_um < _NO_SPREAD_UM:
            raise NotEnough("all values of a cycle are alike: the gauge shows no spread")
        self.pool = self._residuals()
        wild = np.abs(self.pool[:, 1]) > SLIP_SDS
        if wild.any():
            self._leave_out(wild)

    def _leave_out(self, wild: NDArray[np.bool_]) -> None:
        kept, place = [], 0
        for cycle in self.cycles:
            good = ~wild[place : place + len(cycle)]
            place += len(cycle)
            if good.sum() > 1:
                kept.append(MeasuredCycle(cycle.ages[good], cycle.bare_um[good], cycle.finished))
        self.slips, self.cycles = int(wild.sum()), kept
        self._sums = self._all_sums()
        self.best = self._refit(np.ones(len(kept)))
        self.pool = self._residuals()

    def drawn(self, random: np.random.Generator) -> WearFit:
        """The process refitted to cycles weighed at random."""
        count = len(self.cycles)
        weights = random.dirichlet(np.full(count, (count - 2) / count)) * count
        return self._refit(weights, random)

    def _all_sums(self) -> Floats:
        """What each cycle adds at each point of the grid, shape (cycles, g, 14)."""
        alike: dict[bytes, list[int]] = {}
        for place, cycle in enumerate(self.cycles):
            alike.setdefault(cycle.ages.tobytes(), []).append(place)
        grid = len(_AGEING) * len(_SLOPES) * len(_WAVES)
        found = np.empty((len(self.cycles), grid, _SUMS))
        for places in alike.values():
            bare = np.column_stack([self.cycles[place].bare_um for place in places])
            found[places] = self._sums_of(self.cycles[places[0]].ages.astype(float), bare)
        return found

    def _sums_of(self, ages: Floats, bare_um: Floats) -> Floats:
        """
        What cycles measured at the same ages add to the likelihood, their levels taken out.

        Side by side, shape (k, g, 14): cross products of the columns (9), of columns and sizes (3),
        of sizes, and the logarithm of the determinant.
        """
        share = ages / self._known_to
        slope = np.outer(share, share)
        apart = np.abs(np.subtract.outer(ages, ages))
        one = np.eye(len(ages))
        life, dulling = (_AGEING * (self._known_to, 1.0)).T[:, :, None]
        # On the axes of the grid: ageing, own drift, wave.
        scatters = widening(ages, life, dulling)[:, None, :] ** 2 * one
        drifts = np.square(_SLOPES)[:, None, None] * slope
        waves = np.stack([wave**2 * keep**apart for wave, keep in _WAVES])
        total = scatters[:, None, None] + drifts[:, None] + waves
        total = total.reshape(-1, *slope.shape)
        every = len(_SLOPES) * len(_WAVES)
        columns = np.repeat(wear(ages, life), every, axis=0)
        beside = np.column_stack([np.ones(len(ages)), bare_um])
        beside = np.broadcast_to(beside, (len(total), *beside.shape))
        root = np.linalg.cholesky(total)
        solved = np.linalg.solve(root, np.concatenate([beside, columns], axis=2))
        logdet = 2 * np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        # The level of a cycle is anything: projected out.
        level = solved[:, :, 0]
        weight = (level**2).sum(axis=1)
        rest = solved[:, :, 1:]
        rest = rest - level[:, :, None] * ((level[:, None] @ rest) / weight[:, None, None])
        sizes, columns = rest[:, :, :-3], rest[:, :, -3:]
        across = np.swapaxes(columns, 1, 2)
        xx = (across @ columns).reshape(-1, 9)
        found = np.empty((bare_um.shape[1], len(total), _SUMS))
        found[:, :, :9] = xx
        found[:, :, 9:12] = np.moveaxis(across @ sizes, 2, 0)
        found[:, :, 12] = (sizes**2).sum(axis=1).T
        found[:, :, 13] = logdet + np.log(weight)
        return found

    def _refit(self, weights: Floats, random: np.random.Generator | None = None) -> WearFit:
        """The likeliest point of the grid; with `random` each ageing as often as it is likely."""
        sums = np.tensordot(weights, self._sums, axes=1)
        xx = sums[:, :9].reshape(-1, 3, 3) + np.diag(1 / _PRIOR_SDS**2)
        xy, yy, logdet = sums[:, 9:12], sums[:, 12], sums[:, 13]
        beta = np.linalg.solve(xx, xy[..., None])[..., 0]
        freedom = max(1.0, float(weights @ [len(cycle) - 1 for cycle in self.cycles]) - 3)
        square = np.maximum((yy - (beta * xy).sum(axis=1)) / freedom, 0.0)
        fit = freedom * np.log(np.maximum(square, 1e-12)) + logdet + np.linalg.slogdet(xx)[1]
        # The likeliest drifts and waves of each ageing.
        by_ageing = fit.reshape(len(_AGEING), -1)
        if random is None:
            drawn = int(by_ageing.min(axis=1).argmin())
        else:
            least = by_ageing.min(axis=1)
            share = np.cumsum(np.exp((least.min() - least) / 2))
            drawn = int(np.searchsorted(share, random.uniform(0, share[-1]), side="right"))
        best = int(by_ageing[drawn].argmin())
        slopes, (wave, keep) = tuple(product(_SLOPES, _WAVES))[best]
        place = drawn * by_ageing.shape[1] + best
        sd = float(np.sqrt(square[place]))
        life, dulling = _AGEING[drawn].tolist()
        known = self._known_to
        return WearFit(beta[place], sd, life * known, dulling, slopes * sd / known, wave * sd, keep)

    def _residuals(self) -> Floats:
        found = []
        for cycle in self.cycles:
            single = split(self.best, cycle).single_um
            found.append(np.column_stack([cycle.ages, single / self.best.sd_at(cycle.ages)]))
        pool = np.concatenate(found)
        pool[:, 1] -= pool[:, 1].mean()
        # Fitting draws the curve towards the points; the pool as a whole has spread one.
        spread = float(np.sqrt((pool[:, 1] ** 2).mean()))
        pool[:, 1] /= spread if spread > 0 else 1.0
        return np.asarray(pool)


def thinned(cycle: MeasuredCycle, most: int) -> MeasuredCycle:
    """A cycle with `most` of its measured parts at most, spread over its ages."""
    if len(cycle) <= most:
        return cycle
    kept = np.unique(np.linspace(0, len(cycle) - 1, most).round().astype(int))
    return MeasuredCycle(cycle.ages[kept], cycle.bare_um[kept], cycle.finished)


def covariance(fit: WearFit, ages: ArrayLike) -> Floats:
    """Covariance of readings of one cycle at these ages, shape (m, m). [µm²]"""
    n = np.asarray(ages, dtype=float)
    return np.asarray(
        fit.slope_sd_um**2 * np.outer(n, n) + fit.wave_covariance(n, n) + np.diag(fit.sd_at(n) ** 2)
    )


@dataclass(frozen=True, eq=False)
class CycleSplit:
    """
    What of the readings of one cycle is whose.

    `single_um`: scatter of each reading alone, shape (m,); `level_um` at which the cycle begins;
    `drift_um` that it has beyond the mean curve, per part.
    """

    single_um: Floats
    level_um: float
    drift_um: float


def split(fit: WearFit, cycle: MeasuredCycle) -> CycleSplit:
    """
    What of the readings of a cycle is scatter, level and its own drift.

    Best linear prediction with the cycle's level unknown (Harville 1977, from memory).
    """
    total = covariance(fit, cycle.ages)
    rest = cycle.bare_um - fit.curve_um(cycle.ages)
    solved = np.linalg.solve(total, np.column_stack([np.ones(len(cycle)), rest]))
    level = float(solved[:, 1].sum() / solved[:, 0].sum())
    weights = solved[:, 1] - level * solved[:, 0]
    return CycleSplit(
        np.asarray(fit.sd_at(cycle.ages) ** 2 * weights),
        level,
        fit.slope_sd_um**2 * float(cycle.ages @ weights),
    )


def without_slips(fit: WearFit, cycle: MeasuredCycle) -> MeasuredCycle:
    """A cycle without readings so far from its wear that they are slips of hand or gauge."""
    if not len(cycle):
        return cycle
    good = np.abs(split(fit, cycle).single_um) <= SLIP_SDS * fit.sd_at(cycle.ages)
    return replace(cycle, ages=cycle.ages[good], bare_um=cycle.bare_um[good])


def enough(cycles: Sequence[MeasuredCycle]) -> list[MeasuredCycle]:
    """
    The cycles with `FEWEST_PARTS` measured parts.

    Raises
    ------
    NotEnough
        Below `FEWEST_CYCLES` finished ones among them.
    """
    told = [cycle for cycle in cycles if len(cycle) >= FEWEST_PARTS]
    finished = sum(cycle.finished for cycle in told)
    if finished < FEWEST_CYCLES:
        raise NotEnough(
            f"{finished} finished dress cycle{'' if finished == 1 else 's'} of known age with "
            f"{FEWEST_PARTS} or more measured parts; at least {FEWEST_CYCLES} are needed"
        )
    return told
