"""What a level costs per part, and how far it may wander before a move pays."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from math import erfc

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_ROOT_HALF = math.sqrt(0.5)
#: Standard deviations for which the best level is kept, in half widths of the tolerance.
LOWEST_SD, HIGHEST_SD, SD_POINTS = 0.01, 6.0, 72
_SD_STEP = math.log(HIGHEST_SD / LOWEST_SD) / (SD_POINTS - 1)
#: Points of the grid on which the dead band is computed, and how far beyond the limits it reaches.
GRID, REACH = 81, 1.25
#: Steps of the geometric scales on which the dead band's inputs are rounded, so that its cache
#: never makes an answer depend on what was asked before.
DRIFT_STEP, SPREAD_STEP, WANDER_STEP = 1.35, 1.25, 5.0


@dataclass(frozen=True)
class Zone:
    """
    One diameter as seen from the leading level, mirrored so that wear is upward. [µm]

    `shift` is this diameter's level above the leading one, both from their own targets;
    an absent limit is infinite. Below `lower` a part is scrap, above `upper` it is rework.
    """

    lower: float
    upper: float
    shift: float = 0.0
    spread_ratio: float = 1.0  # its part-to-part spread over that of the leading diameter


@dataclass(frozen=True)
class Stakes:
    """Costs of being off, in the plan's currency; `half_width` is where `off_target` is reached."""

    off_target: float
    scrap: float
    rework: float
    half_width: float
    zones: tuple[Zone, ...]

    def __hash__(self) -> int:
        return self._hash

    @cached_property
    def _hash(self) -> int:
        # Looked up with every part, so it is reckoned once.
        return hash((self.off_target, self.scrap, self.rework, self.half_width, self.zones))


def part_loss(stakes: Stakes, level: float, variance: float) -> float:
    """
    Expected cost of one part whose size has this mean and variance.

    Examples
    --------
    >>> stakes = Stakes(0.5, 15.0, 5.0, 8.0, (Zone(-8.0, 8.0),))
    >>> round(part_loss(stakes, 8.0, 1.0), 3)  # half of the parts are rework
    3.008
    """
    return part_losses(stakes, (level,), variance)


def part_losses(stakes: Stakes, levels: Sequence[float], variance: float) -> float:
    """Sum of `part_loss` over a few levels."""
    count = len(levels)
    square = tails = 0.0
    centre = stakes.off_target / stakes.half_width**2 / len(stakes.zones)
    for zone in stakes.zones:
        own = variance * zone.spread_ratio**2
        root = _ROOT_HALF / math.sqrt(own)
        shift, lower, upper = zone.shift, zone.lower, zone.upper
        square += own * count
        scrap = rework = 0.0
        for level in levels:
            place = level + shift
            square += place * place
            scrap += erfc((place - lower) * root)
            rework += erfc((upper - place) * root)
        tails += stakes.scrap * scrap + stakes.rework * rework
    return centre * square + 0.5 * tails


def _losses(stakes: Stakes, levels: Floats, variance: Floats | float) -> Floats:
    from scipy.special import ndtr

    total = np.zeros(np.broadcast(levels, variance).shape)
    for zone in stakes.zones:
        own = variance * zone.spread_ratio**2
        place = levels + zone.shift
        sd = np.sqrt(own)
        total += stakes.off_target * (place**2 + own) / stakes.half_width**2 / len(stakes.zones)
        total += stakes.scrap * ndtr((zone.lower - place) / sd)
        total += stakes.rework * ndtr((place - zone.upper) / sd)
    return total


def span(stakes: Stakes) -> tuple[float, float]:
    """Lowest and highest level worth thinking about: beyond the limits by a quarter. [µm]"""
    width = stakes.half_width
    lower = max(zone.lower for zone in stakes.zones)
    upper = min(zone.upper for zone in stakes.zones)
    lower = lower if math.isfinite(lower) else -2 * width
    upper = upper if math.isfinite(upper) else 2 * width
    return min(lower, -0.5 * width) * REACH, max(upper, 0.5 * width) * REACH


@lru_cache(maxsize=256)
def best_loss(stakes: Stakes) -> tuple[Floats, Floats]:
    """Standard deviations, and the least loss per part that any level has at each. [µm, cost]"""
    sds = np.geomspace(LOWEST_SD, HIGHEST_SD, SD_POINTS) * stakes.half_width
    levels = np.linspace(*span(stakes), 61)
    return sds, _losses(stakes, levels[:, None], sds[None, :] ** 2).min(axis=0)


@lru_cache(maxsize=256)
def _best_list(stakes: Stakes) -> list[float]:
    return best_loss(stakes)[1].tolist()


def best_loss_at(stakes: Stakes, sd: float) -> float:
    """The least loss per part that any level has at one standard deviation."""
    least = _best_list(stakes)
    place = math.log(max(sd / stakes.half_width, LOWEST_SD) / LOWEST_SD) / _SD_STEP
    left = min(int(place), len(least) - 2)
    return least[left] + min(place - left, 1.0) * (least[left + 1] - least[left])


@dataclass(frozen=True)
class DeadBand:
    """
    What each level costs from here on, against the best one, when moves are made at their price.

    `worth` is the relative value on `levels`; `rate` the cost per part in the long run, moves
    included. The optimum of the average-cost problem: drift and wander carry the level, a move
    resets it at a price (policy iteration, Howard 1960, from memory).
    """

    low: float
    pitch: float
    worth: tuple[float, ...]
    rate: float
    aim: float

    def at(self, level: float) -> float:
        """Relative value of a level, between grid points by a straight line."""
        place = (level - self.low) / self.pitch
        last = len(self.worth) - 1
        if place <= 0:
            return self.worth[0] - place * max(0.0, self.worth[0] - self.worth[1])
        if place >= last:
            return self.worth[last] + (place - last) * max(0.0, self.worth[last] - self.worth[-2])
        left = int(place)
        part = place - left
        return self.worth[left] * (1 - part) + self.worth[left + 1] * part


def dead_band(
    stakes: Stakes, *, drift: float, variance: float, wander: float, price: float, every: int
) -> DeadBand:
    """
    The dead band for a drift per part, a part variance and a wander variance per part.

    A move can be made once in `every` parts, when a reading has come. The other inputs are
    rounded to a geometric scale first and the answer is that of the rounded values, so equal
    questions have equal answers in any order. [µm, µm², µm²]
    """
    width = stakes.half_width
    return _dead_band(
        stakes,
        _on_scale(drift, 0.0005 * width, DRIFT_STEP),
        _on_scale(math.sqrt(variance), 0.01 * width, SPREAD_STEP) ** 2,
        _on_scale(wander, 1e-7 * width * width, WANDER_STEP),
        price,
        every,
    )


def _on_scale(value: float, unit: float, ratio: float) -> float:
    if abs(value) < unit:
        return 0.0 if value < unit / 2 and ratio == DRIFT_STEP else math.copysign(unit, value)
    steps = round(math.log(abs(value) / unit) / math.log(ratio))
    return math.copysign(unit * ratio**steps, value)


@lru_cache(maxsize=4096)
def _dead_band(
    stakes: Stakes, drift: float, variance: float, wander: float, price: float, every: int
) -> DeadBand:
    levels = np.linspace(*span(stakes), GRID)
    pitch = float(levels[1] - levels[0])
    # Steps much finer than the grid would smear the level over it.
    stride = max(every, 1 if drift == 0 else min(round(pitch / abs(drift)), 8))
    cost = _stretch(stakes, levels, drift, variance, wander, stride)
    carry = _carry(levels, drift * stride, wander * stride)
    moved, aim = _guess(stakes, levels, cost, drift, price, stride)
    for _ in range(30):
        worth, rate = _worth(carry, cost, moved, aim, price=price, stride=stride)
        keep = cost - stride * rate + carry @ worth
        best = int(np.argmin(np.where(moved, keep, worth)))
        again = keep > price + worth[best] + 1e-12
        if best == aim and bool((again == moved).all()):
            break
        aim, moved = best, again
        moved[aim] = False
    return DeadBand(
        low=float(levels[0]),
        pitch=pitch,
        worth=tuple(float(v) for v in np.minimum(keep, keep[aim] + 50 * price + 1e3) - keep[aim]),
        rate=rate,
        aim=float(levels[aim]),
    )


def _guess(
    stakes: Stakes, levels: Floats, cost: Floats, drift: float, price: float, stride: int
) -> tuple[NDArray[np.bool_], int]:
    """
    Levels to leave and the level to go to, near enough for the iteration to start from.

    A level is left when what it costs more than the best one, over the parts of a sawtooth of this
    drift, is far more than a move (see `dress_rule.part_costs` for its length), and so are the
    ends of the grid, or a level carried there would never come back. Where the iteration starts
    does not change where it ends.
    """
    curve = max(stakes.off_target, 1e-3 * stakes.scrap, 1e-9) / stakes.half_width**2
    slope = max(abs(drift), 1e-3 * stakes.half_width)
    tooth = np.cbrt(6 * max(price, 1e-9) / (curve * slope * slope))
    best = levels[np.argmin(cost)]
    aim = int(np.argmin(np.abs(levels - (best - 0.5 * drift * tooth))))
    moved = (cost - cost.min()) * max(tooth / stride, 1.0) > 3 * price
    moved |= np.abs(levels - levels.mean()) > 0.45 * (levels[-1] - levels[0])
    moved[aim] = False
    return moved, aim


def _worth(
    carry: Floats, cost: Floats, moved: NDArray[np.bool_], aim: int, *, price: float, stride: int
) -> tuple[Floats, float]:
    """Worth of every level against the aim's, and cost per part, when levels `moved` are left."""
    kept = np.flatnonzero(~moved)
    count = kept.size
    inside = carry[kept]
    # One row asks for the worth of the aim to be zero and makes room for the rate.
    full = np.zeros((count + 1, count + 1))
    full[:count, :count] = -inside[:, kept]
    full.flat[: count * (count + 2) : count + 2] += 1.0
    full[:count, count] = stride
    full[count, np.searchsorted(kept, aim)] = 1.0
    right = np.zeros(count + 1)
    right[:count] = cost[kept] + price * (inside @ moved)
    solved = np.linalg.solve(full, right)
    worth = np.full(GRID, price)
    worth[kept] = solved[:count]
    return worth, float(solved[count])


def _stretch(
    stakes: Stakes, levels: Floats, drift: float, variance: float, wander: float, parts: int
) -> Floats:
    """Loss of the coming parts from each level on, at no more than four of them."""
    points = min(parts, 4)
    on = 0.5 + (np.arange(points)[:, None] + 0.5) * parts / points
    cost = _losses(stakes, levels + drift * on, variance + wander * on).sum(axis=0)
    return np.asarray(cost * parts / points)


def _carry(levels: Floats, shift: float, variance: float) -> Floats:
    """Probabilities of going from each level to each: mean shift and variance kept on the grid."""
    pitch = float(levels[1] - levels[0])
    places = np.arange(GRID)
    whole = math.floor(shift / pitch)
    rest = shift / pitch - whole
    # Splitting the rest over two neighbours already spreads it by rest (1 - rest) pitch².
    spare = max(0.0, variance / pitch**2 - rest * (1 - rest))
    reach = max(1, math.ceil(math.sqrt(spare)))
    side = min(spare / (2 * reach * reach), 0.5)
    steps = [whole + up + jump for up in (0, 1) for jump in (0, reach, -reach)]
    shares = [part * split for part in (1 - rest, rest) for split in (1 - 2 * side, side, side)]
    goals = np.minimum(np.maximum(places + np.array(steps)[:, None], 0), GRID - 1)
    where = (places * GRID + goals).ravel()
    chances = np.bincount(where, np.repeat(shares, GRID), minlength=GRID * GRID)
    return np.asarray(chances, dtype=np.float64).reshape(GRID, GRID)
