r"""
The bank of Kalman filters: what is believed of the process, one filter to a hypothesis.

All filters see the same readings and are updated together, in one array operation. For a filter
with state mean ``m`` and covariance ``P`` (Durbin and Koopman, section 4.3, from memory)::

    v = y - offsets - Z m      F = Z P Z' + sd(a)^2 + gauge^2      K = P Z' / F
    m' = m + K v               P' = P - K K' F

**Odd readings and jumps** are hypotheses of every reading, collapsed by moments after it (a mixture
of normals is replaced by one of the same mean and covariance; Harrison and Stevens 1976)::

    as foretold        v ~ F                      m + K v
    odd reading        v ~ F + ODD_SD^2           m              (it says nothing of the level)
    jump before it     v ~ F + JUMP_SD^2          the level, and JUMP_STAYS of it the home, moved

**The spread** is learnt in each filter: an inverse gamma variance with ``dof`` degrees of freedom.
A reading counts as much as the part's own share of ``F``, since what gauge and doubt about the
level bring says nothing of it (Fisher's information of the scale). ``v`` is then Student-t (West
and Harrison, section 4.5, from memory), with more degrees of freedom the less of ``F`` is doubted
(Satterthwaite 1946, Biometrics Bulletin 2, 110, from memory): ``dof (F / sd^2)^2``.

Several readings of one part share the part: their mean has the gauge variance divided by their
number, and each of them may be the odd one.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.adviser.model import (
    DRESS_SHAPE,
    DRESS_START,
    HOME,
    LEVEL,
    SIGMA_SHAPE,
    SIGMA_START,
    Model,
    chilled,
    dressed,
    warmed,
)

Floats = NDArray[np.float64]

#: Chance that a reading is odd, and how far off it then is. [half widths]
ODD_RATE, ODD_SD = 0.006, 2.0
#: Chance of a jump, per part, and its size. [half widths]
JUMP_RATE, JUMP_SD = 0.001, 0.5
#: Share of a jump that the next dress leaves in the size.
JUMP_STAYS = 0.7
#: Parts over which chances of a jump add up between two readings.
MOST_UNREAD = 20
#: Share of the weights that a dress gives back to the prior.
FORGET = 0.05
#: One reading lowers the variance to this share of itself at most: scoring may overshoot.
LEAST_STEP = 0.2
#: A scatter of a dress is taken as at most so many times what was believed.
SCATTER_CAP = 3.0
_LOG_2PI = float(np.log(2 * np.pi))


@dataclass(frozen=True, eq=False)
class Belief:
    """
    What is believed of one diameter; every method returns a new one.

    Attributes
    ----------
    log_weight : ndarray, shape (filters,)
        Logarithm of the probability of each hypothesis.
    mean, cov : ndarray, shape (filters, states), (filters, states, states)
        Of the state, in half widths.
    dof, variance : ndarray, shape (filters,)
        Of the parts about their level: degrees of freedom, and the variance. [half widths^2]
    scatter_dof, scatter_var : float
        The same of the level from dress to dress.
    age, made, unread : int
        Parts since the dress, in all, and since the last one that was read.
    cold : float
        Share of the warm-up still to come.
    dresses : int
        Dresses so far.
    """

    model: Model
    log_weight: Floats
    mean: Floats
    cov: Floats
    dof: Floats
    variance: Floats
    scatter_dof: float = 2 * DRESS_SHAPE
    scatter_var: float = DRESS_START**2
    age: int = 0
    made: int = 0
    unread: int = 0
    cold: float = 1.0
    dresses: int = 0
    odd: float = 0.0  # probability that a reading of the last part was odd
    jump: float = 0.0  # probability that the level jumped before the last part

    @staticmethod
    def begin(model: Model) -> "Belief":
        """Before the first part, on a fresh wheel."""
        count = len(model.life)
        mean, cov = dressed(*model.start(), DRESS_START**2)
        return Belief(
            model=model,
            log_weight=model.log_prior,
            mean=np.tile(mean, (count, 1)),
            cov=np.tile(cov, (count, 1, 1)),
            dof=np.full(count, 2 * SIGMA_SHAPE),
            variance=np.full(count, SIGMA_START**2),
        )

    # -- what happens --------------------------------------------------------------------------

    def part(self) -> "Belief":
        """One part was ground."""
        cov = self.cov.copy()
        cov[:, LEVEL, LEVEL] += self.wander_var
        return replace(
            self, cov=cov, age=self.age + 1, made=self.made + 1, unread=self.unread + 1,
            cold=warmed(self.cold), odd=0.0, jump=0.0,
        )  # fmt: skip

    def pause(self, parts_stood: float) -> "Belief":
        """The machine stood for so many cycle times."""
        return replace(self, cold=chilled(self.cold, parts_stood))

    def dress(self) -> "Belief":
        """The wheel was dressed; what the level has shown of the scatter of dresses is kept."""
        scatter_dof, scatter_var = self._scatter_learnt()
        mean, cov = dressed(self.mean, self.cov, scatter_var)
        weight = (1 - FORGET) * self.weight + FORGET * np.exp(self.model.log_prior)
        return replace(
            self, log_weight=np.log(weight), mean=mean, cov=cov, age=0, dresses=self.dresses + 1,
            scatter_dof=scatter_dof, scatter_var=scatter_var,
        )  # fmt: skip

    def unsettled(self, sd: float) -> "Belief":
        """Something happened that may have moved the level by so much. [half widths]"""
        cov = self.cov.copy()
        cov[:, LEVEL, LEVEL] += sd**2
        cov[:, HOME, HOME] += sd**2
        cov[:, LEVEL, HOME] += sd**2
        cov[:, HOME, LEVEL] += sd**2
        return replace(self, cov=cov)

    def read(self, values: Floats, gauge_var: float) -> "Belief":
        """
        The readings of the part ground last, offsets taken out.

        Parameters
        ----------
        values : ndarray, shape (readings,)
            All readings of this part. [half widths]
        gauge_var : float
            Variance of one reading about the part. [half widths^2]
        """
        z = self.model.design(self.age, self.cold)
        foretold = np.einsum("ns,ns->n", z, self.mean)
        pz = np.einsum("nst,nt->ns", self.cov, z)
        own = self.part_var
        level_var = np.einsum("ns,ns->n", z, pz)
        branches = _branches(values, foretold, level_var, own, gauge_var, self.dof, self.unread)
        log_total = np.logaddexp.reduce([b.log for b in branches])
        share = [np.exp(b.log - log_total) for b in branches]

        jump = np.zeros_like(pz)
        jump[:, LEVEL], jump[:, HOME] = JUMP_SD**2, JUMP_SD**2 * JUMP_STAYS
        mean, moves = np.zeros_like(self.mean), []
        for b, p in zip(branches, share, strict=True):
            gain = (pz + jump if b.jump else pz) / b.var[:, None]
            moves.append(gain * b.miss[:, None])
            mean += p[:, None] * moves[-1]
        cov = self.cov.copy()
        lift = np.array([JUMP_SD, JUMP_SD * JUMP_STAYS])
        for b, p, move in zip(branches, share, moves, strict=True):
            gain = pz + jump if b.jump else pz
            if b.informs:
                cov -= _outer(gain, p / b.var)
            if b.jump:
                cov[:, LEVEL : HOME + 1, LEVEL : HOME + 1] += p[:, None, None] * np.outer(
                    lift, lift
                )
            cov += _outer(move - mean, p)
        plain = branches[0]
        weight = share[0] * (own / plain.var) ** 2
        variance = self.variance * (
            1 + weight * (plain.miss**2 / plain.var - 1) * plain.var / (own * (self.dof + weight))
        )
        log_weight = self.log_weight + log_total
        log_weight = log_weight - np.logaddexp.reduce(log_weight)
        odd = float(np.exp(log_weight) @ sum(share[2:]))
        return replace(
            self,
            log_weight=log_weight,
            mean=self.mean + mean,
            cov=cov,
            dof=self.dof + weight,
            variance=np.maximum(variance, LEAST_STEP * self.variance),
            unread=0,
            odd=odd,
            jump=float(np.exp(log_weight) @ share[1]),
        )

    def _scatter_learnt(self) -> tuple[float, float]:
        """Degrees of freedom and variance of dresses, after what this cycle shows of its own."""
        if self.dresses == 0:  # a set-up is no dress
            return self.scatter_dof, self.scatter_var
        w = self.weight
        away = float(w @ (self.mean[:, LEVEL] - self.mean[:, HOME]) ** 2)
        doubt = float(
            w @ (self.cov[:, LEVEL, LEVEL] + self.cov[:, HOME, HOME] - 2 * self.cov[:, LEVEL, HOME])
        )
        wandered = float(w @ self.wander_var) * self.age
        before = self.scatter_var + wandered
        known = max(1 - doubt / before, 0.0)
        if known <= 0:
            return self.scatter_dof, self.scatter_var
        seen = min(max(away / known - wandered, 0.0), SCATTER_CAP**2 * self.scatter_var)
        dof = self.scatter_dof + known**2
        return dof, self.scatter_var + known**2 * (seen - self.scatter_var) / dof

    # -- what is asked -------------------------------------------------------------------------

    @property
    def weight(self) -> Floats:
        """Probability of each hypothesis."""
        return np.asarray(np.exp(self.log_weight))

    @property
    def wander_var(self) -> Floats:
        """Variance of the level from part to part, per filter. [half widths^2]"""
        return np.asarray(self.model.wander**2 * self.variance)

    @property
    def part_var(self) -> Floats:
        """Variance of the parts about their level at this age, per filter. [half widths^2]"""
        return np.asarray(self.variance * self.widening(self.age) ** 2)

    def widening(self, age: float | Floats) -> Floats:
        """How many times as wide the parts scatter at ages as on a fresh wheel."""
        past = self.model.past_life(age)
        dulling = self.model.dulling
        return np.asarray(1 + (dulling if past.ndim == 1 else dulling[:, None]) * past)


@dataclass(frozen=True, eq=False)
class _Branch:
    """One explanation of the readings of a part: its likelihood, and what it says of the level."""

    log: Floats
    miss: Floats  # of the mean of the readings it trusts from the forecast
    var: Floats  # of that miss
    jump: bool = False
    informs: bool = True


def _branches(
    values: Floats,
    foretold: Floats,
    level_var: Floats,
    own: Floats,
    gauge_var: float,
    dof: Floats,
    unread: int,
) -> list[_Branch]:
    """Each explanation of the readings of one part: plain, after a jump, one of them odd."""
    scale = level_var + own
    count = len(values)
    jump_rate = JUMP_RATE * min(max(unread, 1), MOST_UNREAD)
    mean = float(values.mean())
    apart = float(((values - mean) ** 2).sum())
    alike = -0.5 * (apart / gauge_var + (count - 1) * (np.log(gauge_var) + _LOG_2PI))
    alike -= 0.5 * np.log(count)
    var = scale + gauge_var / count
    miss = mean - foretold
    plain = (
        _log_student(miss, var, dof * (var / own) ** 2)
        + alike
        + np.log1p(-jump_rate - count * ODD_RATE)
    )
    jumped = _log_normal(miss, var + JUMP_SD**2) + alike + np.log(jump_rate)
    made = [_Branch(plain, miss, var), _Branch(jumped, miss, var + JUMP_SD**2, jump=True)]
    for k in range(count):
        log = _log_normal(values[k] - foretold, scale + gauge_var + ODD_SD**2) + np.log(ODD_RATE)
        others = np.delete(values, k)
        if count == 1:
            made.append(_Branch(log, np.zeros_like(foretold), var, informs=False))
            continue
        rest = others.mean() - foretold
        rest_var = scale + gauge_var / (count - 1)
        apart = float(((others - others.mean()) ** 2).sum())
        log = (
            log
            + _log_student(rest, rest_var, dof * (rest_var / own) ** 2)
            - 0.5
            * (apart / gauge_var + (count - 2) * (np.log(gauge_var) + _LOG_2PI) + np.log(count - 1))
        )
        made.append(_Branch(log, rest, rest_var))
    return made


def _log_normal(miss: Floats, var: Floats) -> Floats:
    return np.asarray(-0.5 * (miss**2 / var + np.log(var) + _LOG_2PI))


def _log_student(miss: Floats, var: Floats, dof: Floats) -> Floats:
    from scipy.special import gammaln

    log = gammaln((dof + 1) / 2) - gammaln(dof / 2) - 0.5 * np.log(np.pi * dof * var)
    return np.asarray(log - (dof + 1) / 2 * np.log1p(miss**2 / (dof * var)))


def _outer(vector: Floats, weight: Floats) -> Floats:
    return np.asarray(vector[:, :, None] * (weight[:, None] * vector)[:, None, :])
