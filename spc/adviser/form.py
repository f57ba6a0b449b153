r"""
Form and finish as the wheel ages: roundness, runout, roughness.

The logarithm of the value is a straight line in the age of the wheel; how fast it may climb is said
in lives, and the lives are hypotheses of a small bank of filters of its own::

    log v = level + growth a / K + part noise,     a dress draws the level anew

Nothing is learnt from form about size, nor the other way: a form that never moves moves no advice.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spc.adviser.prior import Prior

Floats = NDArray[np.float64]

#: Lives [parts].
LIVES = np.geomspace(25, 3000, 7)
#: Start of the level below the limit, and its standard deviation; growth a life; spread of parts
#: and the shape of its inverse gamma distribution; spread from dress to dress. [logarithms]
#: Judgement.
BELOW_LIMIT, LEVEL_SD = -0.7, 0.7
GROWTH_START = (0.2, 0.3)
SPREAD, SPREAD_SHAPE = 0.15, 3.0
DRESS_SD = 0.08
#: A value below this share of the limit is as good as this: a gauge reads zero. Own choice.
LEAST_SHARE = 0.01
#: Readings of one form before it speaks for a dress: one high value is no growth. Judgement.
LEAST_READ = 5
#: A value farther off moves no line more than so many standard deviations: one bad part. Judgement.
MOST_SDS = 3.0
#: A fall of the logarithm that is one, and of how many of its standard deviations. Judgement.
CLEAR_FALL, SURE_FALL = 0.15, 2.5
#: One reading lowers the variance to this share of itself at most.
LEAST_STEP = 0.2


@dataclass(frozen=True, eq=False)
class Form:
    """
    What is believed of one form or finish; every method returns a new one.

    Attributes
    ----------
    limit_um : float
        Guarded upper limit.
    log_weight : ndarray, shape (lives,)
        Logarithm of the probability of each of `LIVES`.
    mean, cov : ndarray, shape (lives, 2), (lives, 2, 2)
        Level and growth, of the logarithm of the share of the limit.
    dof, variance : ndarray, shape (lives,)
        Of the parts about the line.
    count : int
        Parts read so far.
    """

    limit_um: float
    log_weight: Floats
    mean: Floats
    cov: Floats
    dof: Floats
    variance: Floats
    count: int = 0

    @staticmethod
    def begin(limit_um: float, prior: Prior) -> "Form":
        """Before the first reading."""
        size = len(LIVES)
        log = -0.5 * (np.log(LIVES / prior.life) / prior.life_log_sd) ** 2
        return Form(
            limit_um=limit_um,
            log_weight=log - np.logaddexp.reduce(log),
            mean=np.tile([BELOW_LIMIT, GROWTH_START[0]], (size, 1)),
            cov=np.tile(np.diag([LEVEL_SD**2, GROWTH_START[1] ** 2]), (size, 1, 1)),
            dof=np.full(size, 2 * SPREAD_SHAPE),
            variance=np.full(size, SPREAD**2),
        )

    def dress(self) -> "Form":
        """The wheel was dressed."""
        cov = self.cov.copy()
        cov[:, 0, 0] += DRESS_SD**2
        return replace(self, cov=cov)

    def read(self, um: float, age: float) -> "Form":
        """The value of a part ground by a wheel of that age."""
        from scipy.special import gammaln

        y = np.log(max(um / self.limit_um, LEAST_SHARE))
        z = np.stack([np.ones_like(LIVES), age / LIVES], axis=1)
        miss = y - np.einsum("ns,ns->n", z, self.mean)
        pz = np.einsum("nst,nt->ns", self.cov, z)
        total = np.einsum("ns,ns->n", z, pz) + self.variance
        dof = self.dof * (total / self.variance) ** 2
        log = gammaln((dof + 1) / 2) - gammaln(dof / 2) - 0.5 * np.log(np.pi * dof * total)
        log = self.log_weight + log - (dof + 1) / 2 * np.log1p(miss**2 / (dof * total))
        weight = (self.variance / total) ** 2
        step = weight * (miss**2 / total - 1) * total / (self.variance * (self.dof + weight))
        gain = pz / total[:, None]
        most = MOST_SDS * np.sqrt(total)
        return replace(
            self,
            log_weight=log - np.logaddexp.reduce(log),
            mean=self.mean + gain * np.clip(miss, -most, most)[:, None],
            cov=self.cov - gain[:, :, None] * pz[:, None, :],
            dof=self.dof + weight,
            variance=self.variance * np.maximum(1 + step, LEAST_STEP),
            count=self.count + 1,
        )

    def falls(self, parts: int) -> bool:
        """Whether the value surely and clearly falls over so many parts of a wheel."""
        fall = self.mean[:, 1] * parts / LIVES
        var = self.cov[:, 1, 1] * (parts / LIVES) ** 2
        weight = np.exp(self.log_weight)
        mean = float(weight @ fall)
        sd = float(np.sqrt(weight @ (var + (fall - mean) ** 2)))
        return mean < -CLEAR_FALL and mean < -SURE_FALL * sd

    def level_um(self, age: float) -> float:
        """Where parts of that age stand."""
        at = self.mean[:, 0] + self.mean[:, 1] * age / LIVES
        return float(self.limit_um * np.exp(np.exp(self.log_weight) @ at))

    def out(self, ages: Floats) -> Floats:
        """Probability of a part beyond the limit at each age; 0 while hardly any was read."""
        from scipy.special import ndtr

        if self.count < LEAST_READ:
            return np.zeros_like(ages)
        lives = ages / LIVES[:, None]
        cov = self.cov[..., None]
        var = cov[:, 0, 0] + 2 * cov[:, 0, 1] * lives + cov[:, 1, 1] * lives**2
        level = self.mean[:, :1] + self.mean[:, 1:] * lives
        beyond = ndtr(level / np.sqrt(var + self.variance[:, None]))
        return np.asarray(np.exp(self.log_weight) @ beyond)
