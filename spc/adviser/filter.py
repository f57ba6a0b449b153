r"""
The bank of Kalman filters: what is believed of the process, one filter to a hypothesis.

All filters see the same readings and are updated together, in one array operation. The readings of
one part, of whatever sizes and however often, are one vector; for a filter with state mean ``m``
and covariance ``P`` (Durbin and Koopman, section 4.3, from memory)::

    v = y - offsets - Z m      F = Z P Z' + parts + gauge      m' = m + P Z' F^-1 v
                                                               P' = P - P Z' F^-1 Z P

`parts` is the same part in every reading of one size, and `ALIKE` of it in those of another.

**Odd readings and jumps** are hypotheses of every part, collapsed by moments after it (a mixture of
normals is replaced by one of the same mean and covariance; Harrison and Stevens 1976). Each adds a
variance in one direction to ``F``, so that one inverse serves all (Sherman and Morrison 1950,
Annals of Mathematical Statistics 21, 124)::

    as foretold            F
    odd reading i          F + ODD_SD^2 e_i e_i'
    odd part               F + ODD_SD^2 d d',     d: the readings of one size, or of all
    jump before the part   F + JUMP_SD^2 d d',    d: all sizes, or one
    leap before the part   F + LEAP_SD^2 d d',    d: all sizes

a jump or a leap moves the levels, and JUMP_STAYS of it the homes.

**The spread** is learnt in each filter, by size: an inverse gamma variance with ``dof`` degrees of
freedom. A reading counts as much as the part's own share of ``F``, since what gauge and doubt about
the level bring says nothing of it (Fisher's information of the scale). ``v`` is then Student-t
(West and Harrison, section 4.5, from memory), with more degrees of freedom the less of ``F`` is
doubted (Satterthwaite 1946, Biometrics Bulletin 2, 110, from memory): ``dof (F / sd^2)^2``.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from spc.adviser.form import Form
from spc.adviser.model import ALIKE, Model, chilled, warmed

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Chance that a reading is odd, and how far off it then is. [half widths]
ODD_RATE, ODD_SD = 0.006, 2.0
#: Chance that a part is odd in a size, or in all: badly clamped, hot, of bad stock.
ODD_PART_RATE = 0.002
#: Chance of a jump of all sizes, and of one alone, per part, and its size. [half widths]
JUMP_RATE, OWN_JUMP_RATE, JUMP_SD = 0.001, 0.0003, 0.5
#: The same of a leap of all sizes: a slip of the set-up, an offset entered wrong by a digit.
LEAP_RATE, LEAP_SD = 0.0001, 2.0
#: Share of a jump that the next dress leaves in the size.
JUMP_STAYS = 0.7
#: Parts over which chances of a jump add up between two readings.
MOST_UNREAD = 20
#: Share of the weights that a dress gives back to the prior.
FORGET = 0.05
#: One reading lowers the variance to this share of itself at most: scoring may overshoot.
LEAST_STEP = 0.2
#: Probability that a dress takes the wear out of the size, and that the control takes back the
#: moves of the cycle at it, where the plan says nothing; and that the plan is right where it does.
#: Judgement.
UNTOLD_EFFECT, TOLD_EFFECT = 0.75, 0.995
#: What a dress may do: take the wear out of the size; have the control take back the moves.
EFFECTS = ((True, True), (True, False), (False, True), (False, False))
#: Nothing is ever held to be less likely than this: plans and machines change. Judgement.
LEAST_EFFECT = 1e-4
#: Outcomes of a dress less likely than this move no level; a reading may still speak for them.
LEAST_OUTCOME = 0.01
#: A scatter of a dress is taken as at most so many times what was believed.
SCATTER_CAP = 3.0
_LOG_2PI = float(np.log(2 * np.pi))


@dataclass(frozen=True, eq=False)
class Belief:
    """
    What is believed of the sizes of one job; every method returns a new one.

    Attributes
    ----------
    log_weight : ndarray, shape (filters,)
        Logarithm of the probability of each hypothesis.
    mean, cov : ndarray, shape (filters, states), (filters, states, states)
        Of the state, in half widths.
    dof, variance : ndarray, shape (filters, sizes)
        Of the parts about their level: degrees of freedom, and the variance. [half widths^2]
    scatter_dof, scatter_var : float
        The same of the level from dress to dress.
    age, made, unread : int
        Parts since the dress, in all, and since the last one that was read.
    cold : float
        Share of the warm-up still to come.
    dresses : int
        Dresses so far.
    forms : tuple of Form
        Form and finish.
    effects : tuple of float
        Probability of each of `EFFECTS`.
    pending : tuple of float
        Until a part is read after a dress: how far from what is believed each of them puts the
        sizes [half widths], and the variance that they brought to the belief.
    """

    model: Model
    log_weight: Floats
    mean: Floats
    cov: Floats
    dof: Floats
    variance: Floats
    scatter_dof: float
    scatter_var: float
    effects: tuple[float, ...]
    age: int = 0
    made: int = 0
    unread: int = 0
    cold: float = 1.0
    dresses: int = 0
    forms: tuple[Form, ...] = ()
    pending: tuple[float, ...] = ()
    odd: tuple[float, ...] = ()  # probability that a reading of the last part was odd, by size
    strange: float = 0.0  # probability that a level jumped before the last part, or that it is odd

    @staticmethod
    def begin(
        model: Model,
        *,
        resets: bool | None = True,
        clears: bool | None = True,
        forms: tuple[float, ...] = (),
    ) -> "Belief":
        """
        Before the first part, on a fresh wheel.

        Parameters
        ----------
        model : Model
            Hypotheses and matrices.
        resets, clears : bool or None
            What the plan says of a dress; None: nothing.
        forms : tuple of float
            Guarded upper limit of each form and finish. [µm]
        """
        prior, count = model.prior, len(model.life)
        mean, cov = model.dressed(*model.start(), prior.scatter**2)
        shape = (count, model.sizes)
        return Belief(
            model=model,
            log_weight=model.log_prior,
            mean=np.tile(mean, (count, 1)),
            cov=np.tile(cov, (count, 1, 1)),
            dof=np.full(shape, 2 * prior.sigma_shape),
            variance=np.full(shape, prior.sigma**2),
            scatter_dof=2 * prior.scatter_shape,
            scatter_var=prior.scatter**2,
            effects=tuple(
                _effect(resets, reset) * _effect(clears, clear) for reset, clear in EFFECTS
            ),
            forms=tuple(Form.begin(limit, prior) for limit in forms),
        )

    # -- what happens --------------------------------------------------------------------------

    def part(self) -> "Belief":
        """One part was ground."""
        model, cov = self.model, self.cov.copy()
        together, own = self.wander_var
        cov[:, model.level, model.level] += together[:, None, None]
        if model.sizes > 1:
            each = own[:, None, None] * np.eye(model.sizes)
            # What one size does by itself is no matter of the wheel; a dress does not end it.
            for a in (model.level, model.home):
                for b in (model.level, model.home):
                    cov[:, a, b] += each
        return replace(
            self, cov=cov, age=self.age + 1, made=self.made + 1, unread=self.unread + 1,
            cold=warmed(self.cold), odd=(), strange=0.0,
        )  # fmt: skip

    def pause(self, parts_stood: float) -> "Belief":
        """The machine stood for so many cycle times."""
        return replace(self, cold=chilled(self.cold, parts_stood))

    def outcomes(self, moved: Floats) -> list[tuple[float, Floats]]:
        """
        Probability of each of `EFFECTS`, and where it puts the sizes besides their homes.

        Parameters
        ----------
        moved : ndarray, shape (sizes,)
            Moves of the cycle that the control may take back by itself. [half widths]
        """
        wear = self.weight @ self.model.wear(self.mean, self.age)
        return [
            (p, (not reset) * wear - clear * moved)
            for p, (reset, clear) in zip(self.effects, EFFECTS, strict=True)
        ]

    def dress(self, moved: Floats | None = None, *, likeliest: bool = False) -> "Belief":
        """
        The wheel was dressed; what the level has shown of the scatter of dresses is kept.

        Parameters
        ----------
        moved : ndarray, shape (sizes,), optional
            Moves of the cycle that the control may take back by itself. [half widths]
        likeliest : bool
            As if it were known what a dress does: as in the cycles after this one.
        """
        model = self.model
        moved = np.zeros(model.sizes) if moved is None else moved
        scatter_dof, scatter_var = self._scatter_learnt()
        chance = np.array(self.effects)
        likely = np.where(chance > LEAST_OUTCOME, chance, 0.0)
        if likeliest:
            likely = (np.arange(len(chance)) == chance.argmax()).astype(float)
        likely /= likely.sum()
        mean, cov = np.zeros_like(self.mean), np.zeros_like(self.cov)
        made = []
        for p, (reset, clear) in zip(likely, EFFECTS, strict=True):
            if p:
                m, c = (self.mean, self.cov) if reset else model.worn(self.mean, self.cov, self.age)
                m, c = model.dressed(m, c, scatter_var)
                for places in (model.level, model.home):
                    m[:, places] -= moved * clear
                mean += p * m
                made.append((p, m, c))
        for p, m, c in made:
            off = m - mean
            cov += p * (c + off[:, :, None] * off[:, None, :])
        weight = (1 - FORGET) * self.weight + FORGET * np.exp(model.log_prior)
        # How far each outcome puts the sizes, beside what is believed.
        apart = np.array([shift.mean() for _, shift in self.outcomes(moved)])
        apart -= likely @ apart
        return replace(
            self, log_weight=np.log(weight), mean=mean, cov=cov, age=0, dresses=self.dresses + 1,
            scatter_dof=scatter_dof, scatter_var=scatter_var,
            forms=tuple(form.dress() for form in self.forms),
            pending=(*apart.tolist(), float(likely @ apart**2)),
        )  # fmt: skip

    def unsettled(self, sd: float) -> "Belief":
        """Something happened that may have moved all levels by so much. [half widths]"""
        cov = self.cov.copy()
        for a in (self.model.level, self.model.home):
            for b in (self.model.level, self.model.home):
                cov[:, a, b] += sd**2
        return replace(self, cov=cov)

    def read(self, size: Ints, values: Floats, gauge_var: Floats) -> "Belief":
        """
        All readings of the part ground last, offsets taken out.

        Parameters
        ----------
        size : ndarray of int, shape (readings,)
            The size each is of.
        values : ndarray, shape (readings,)
            What was read. [half widths]
        gauge_var : ndarray, shape (readings,)
            Variance of each about the part. [half widths^2]
        """
        model, count = self.model, len(size)
        z = model.design(self.age, self.cold)[:, size]
        miss = values - np.einsum("nrs,ns->nr", z, self.mean)
        pz = self.cov @ z.transpose(0, 2, 1)
        own = self.part_var[:, size]
        same = size[:, None] == size[None, :]
        parts = np.sqrt(own[:, :, None] * own[:, None, :]) * np.where(same, 1.0, ALIKE)
        total = z @ pz + parts + np.diag(gauge_var)
        effects, slip = self._effects_learnt(float(self.weight @ miss.mean(axis=1)), total)
        miss = miss - slip
        inverse = np.linalg.inv(total)
        scaled = np.einsum("nrs,ns->nr", inverse, miss)
        fit = np.einsum("nr,nr->n", miss, scaled)
        log_det = np.linalg.slogdet(total)[1]
        dof = (self.dof[:, size] * (np.einsum("nrr->nr", total) / own) ** 2).mean(axis=1)
        surprises = self._surprises(size)
        leftover = 1 - sum(s.chance for s in surprises)
        logs = [_log_student(fit, log_det, dof, count) + np.log(leftover)]

        # Every explanation as weights of the columns of `pz`, then of the directions of the jumps.
        jumps = [s for s in surprises if s.moves is not None]
        columns = count + len(jumps)
        moves = [np.concatenate([scaled, np.zeros((len(scaled), len(jumps)))], axis=1)]
        curbs = []
        for s in surprises:
            toward = inverse @ s.direction
            grows = 1 + s.var * (toward @ s.direction)
            along = (scaled @ s.direction) / grows
            shrunk = fit - s.var * along**2 * grows
            log = -0.5 * (shrunk + log_det + np.log(grows) + count * _LOG_2PI)
            logs.append(log + np.log(s.chance))
            move = np.zeros((len(scaled), columns))
            move[:, :count] = scaled - s.var * toward * along[:, None]
            curb = np.zeros((len(scaled), columns))
            curb[:, :count] = toward
            if s.moves is not None:
                place = count + jumps.index(s)
                move[:, place] = s.var * along
                curb[:, place] = -1.0
            moves.append(move)
            curbs.append((curb, s.var / grows))
        log_total = np.logaddexp.reduce(logs)
        share = np.exp(np.array(logs) - log_total)

        basis = pz
        if jumps:
            added = np.array([s.moves for s in jumps], dtype=np.float64).T
            added = np.tile(added, (len(pz), 1, 1))
            basis = np.concatenate([pz, added], axis=2)
        step = np.einsum("hn,hnc->nc", share, np.array(moves))
        spread = np.array(moves) - step
        change = np.einsum("hn,hnc,hnd->ncd", share, spread, spread)
        change[:, :count, :count] -= inverse
        for (curb, scale), p in zip(curbs, share[1:], strict=True):
            change += curb[:, :, None] * ((p * scale)[:, None] * curb)[:, None, :]
        cov = self.cov + basis @ change @ basis.transpose(0, 2, 1)
        log_weight = self.log_weight + log_total
        log_weight = log_weight - np.logaddexp.reduce(log_weight)
        weight = np.exp(log_weight)
        said, strange = dict.fromkeys(range(model.sizes), 0.0), 0.0
        for s, p in zip(surprises, share[1:], strict=True):
            if s.size >= 0:
                said[s.size] += float(weight @ p)
            else:
                strange += float(weight @ p)
        dof, variance = self._spread_learnt(size, inverse, scaled, share[0])
        return replace(
            self,
            effects=effects,
            pending=(),
            log_weight=log_weight,
            mean=self.mean + np.einsum("nsc,nc->ns", basis, step) + slip * self._of_levels,
            cov=0.5 * (cov + cov.transpose(0, 2, 1)),
            dof=dof,
            variance=variance,
            unread=0,
            odd=tuple(said.values()),
            strange=strange,
        )

    @property
    def _of_levels(self) -> Floats:
        """1 at the levels and the homes of the state, shape (states,)."""
        where = np.zeros(self.model.states)
        where[self.model.level] = where[self.model.home] = 1.0
        return where

    def _effects_learnt(self, miss: float, total: Floats) -> tuple[tuple[float, ...], float]:
        """
        What the first part after a dress says of what a dress does.

        Returns
        -------
        effects : tuple of float
            Probability of each of `EFFECTS`.
        slip : float
            How far the levels stand from where they were put, by outcomes held too unlikely then.
        """
        if not self.pending:
            return self.effects, 0.0
        off, spare = np.array(self.pending[:-1]), self.pending[-1]
        var = float(self.weight @ total.mean(axis=(1, 2))) - spare
        log = np.log(self.effects) - 0.5 * (miss - off) ** 2 / max(var, self.scatter_var)
        told = np.exp(log - np.logaddexp.reduce(log))
        unlikely = np.array(self.effects) <= LEAST_OUTCOME
        slip = float((told * off)[unlikely].sum())
        told = np.maximum(told, LEAST_EFFECT)
        return tuple((told / told.sum()).tolist()), slip

    def read_form(self, form: int, um: float) -> "Belief":
        """One reading of form or finish of the part ground last."""
        told = self.forms[form].read(um, self.age)
        return replace(self, forms=(*self.forms[:form], told, *self.forms[form + 1 :]))

    def _surprises(self, size: Ints) -> list["_Surprise"]:
        """What may have happened with this part instead of nothing."""
        model, unread = self.model, min(max(self.unread, 1), MOST_UNREAD)
        made = [
            _Surprise(ODD_RATE, ODD_SD**2, np.eye(len(size))[k], size=int(size[k]))
            for k in range(len(size))
        ]
        for who in (*np.eye(model.sizes), *([np.ones(model.sizes)] if model.sizes > 1 else [])):
            if (mine := who[size]).sum() > 1:  # with one reading an odd part is an odd reading
                made.append(_Surprise(ODD_PART_RATE, ODD_SD**2, mine))
        everyone = np.ones(model.sizes)
        rates = [(JUMP_RATE, JUMP_SD, everyone), (LEAP_RATE, LEAP_SD, everyone)]
        if model.sizes > 1:
            read = sorted(set(size.tolist()))
            rates += [(OWN_JUMP_RATE, JUMP_SD, np.eye(model.sizes)[f]) for f in read]
        for rate, sd, who in rates:
            moves = np.zeros(model.states)
            moves[model.level], moves[model.home] = who, JUMP_STAYS * who
            made.append(_Surprise(rate * unread, sd**2, who[size], moves=moves))
        return made

    def _spread_learnt(
        self, size: Ints, inverse: Floats, scaled: Floats, plain: Floats
    ) -> tuple[Floats, Floats]:
        """Degrees of freedom and variance of each size after these readings."""
        of = (size[:, None] == np.arange(self.model.sizes)).astype(float)  # readings by sizes
        known = np.einsum("nrs,rf,sf->nf", inverse, of, of)
        pull = scaled @ of
        own = self.part_var
        read = of.any(axis=0)
        known = np.where(read, known, 1.0)
        weight = np.where(read, plain[:, None] * (own * known) ** 2, 0.0)
        dof = self.dof + weight
        step = weight * (pull**2 / known - 1) / (own * known * dof)
        return dof, self.variance * np.maximum(1 + step, LEAST_STEP)

    def _scatter_learnt(self) -> tuple[float, float]:
        """Degrees of freedom and variance of dresses, after what this cycle shows of its own."""
        if self.dresses == 0:  # a set-up is no dress
            return self.scatter_dof, self.scatter_var
        w, model = self.weight, self.model
        off = np.zeros(model.states)
        off[model.level], off[model.home] = 1 / model.sizes, -1 / model.sizes
        away = float(w @ (self.mean @ off) ** 2)
        doubt = float(w @ (self.cov @ off @ off))
        wandered = float(w @ self.wander_var[0]) * self.age
        before = self.scatter_var + wandered
        known = max(1 - doubt / before, 0.0)
        if known <= 0:
            return self.scatter_dof, self.scatter_var
        seen = min(max(away / known - wandered, 0.0), SCATTER_CAP**2 * self.scatter_var)
        dof = self.scatter_dof + known**2
        return dof, self.scatter_var + known**2 * (seen - self.scatter_var) / dof

    @property
    def resets(self) -> float:
        """Probability that a dress takes the wear out of the size."""
        return sum(p for p, (reset, _) in zip(self.effects, EFFECTS, strict=True) if reset)

    @property
    def clears(self) -> float:
        """Probability that the control takes back the moves of a cycle at its dress."""
        return sum(p for p, (_, clear) in zip(self.effects, EFFECTS, strict=True) if clear)

    # -- what is asked -------------------------------------------------------------------------

    @property
    def weight(self) -> Floats:
        """Probability of each hypothesis."""
        return np.asarray(np.exp(self.log_weight))

    @cached_property
    def coming(self) -> tuple[Floats, Floats]:
        """
        Where the next part stands without offsets, shape (sizes,) each. [half widths]

        Returns
        -------
        level, sd : ndarray
            Estimates and their standard deviations over the bank.
        """
        ahead = self.part()
        z = self.model.design(ahead.age, ahead.cold)
        each = np.einsum("nfs,ns->nf", z, self.mean)
        level = self.weight @ each
        var = np.einsum("nfs,nfs->nf", z @ ahead.cov, z) + (each - level) ** 2
        return level, np.sqrt(self.weight @ var)

    @property
    def wander_var(self) -> Floats:
        """Variance from part to part of all levels, and of each, (2, filters). [half widths^2]"""
        return np.asarray((self.model.wander**2).T * self.variance.mean(axis=1))

    @property
    def part_var(self) -> Floats:
        """Variance of the parts about their level now, (filters, sizes). [half widths^2]"""
        return np.asarray(self.variance * self.widening(self.age)[:, None] ** 2)

    def widening(self, age: float | Floats) -> Floats:
        """How many times as wide the parts scatter at ages as on a fresh wheel."""
        past = self.model.past_life(age)
        dulling = self.model.dulling
        return np.asarray(1 + (dulling if past.ndim == 1 else dulling[:, None]) * past)


@dataclass(frozen=True, eq=False)
class _Surprise:
    """One thing that may have happened: variance added to the readings in one direction."""

    chance: float
    var: float
    direction: Floats  # of the readings
    moves: Floats | None = None  # of the state; None: an odd reading
    size: int = -1  # whose reading is odd; -1: the part, or nothing


def _effect(told: bool | None, does: bool) -> float:
    """Probability that a dress does something, or does not, from what the plan says."""
    likely = UNTOLD_EFFECT if told is None else TOLD_EFFECT
    return likely if does == (told is not False) else 1 - likely


def _log_student(fit: Floats, log_det: Floats, dof: Floats, count: int) -> Floats:
    from scipy.special import gammaln

    log = gammaln((dof + count) / 2) - gammaln(dof / 2) - 0.5 * (count * np.log(np.pi * dof))
    return np.asarray(log - 0.5 * log_det - (dof + count) / 2 * np.log1p(fit / dof))
