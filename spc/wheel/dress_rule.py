"""When the next part costs more than a fresh wheel would: the dress by marginal cost."""

import math
from dataclasses import dataclass
from functools import lru_cache
from statistics import median

import numpy as np
from numpy.typing import NDArray

from spc.wheel.drift import BEND, CURVE, SLOPE
from spc.wheel.health import FormGrowth, growth
from spc.wheel.loss import best_loss, best_loss_at
from spc.wheel.track import Track

Floats = NDArray[np.float64]

#: A wheel is young before this share of its usual life. What comes later is only learnt by wheels
#: that get there, and fear of it alone would have every wheel dressed young, so a young one is
#: dressed only when a part to come costs so many times the average of the cycle, or for a form or
#: finish that was seen to grow; and never within so many parts, or before so many of them were
#: read (judgement).
EARLIEST, YOUNG_DUE = 0.6, 1.25
FEWEST, FEWEST_READ = 5, 4
#: Cycles that ended by a dress from which the usual life is learnt, where it is shorter than was
#: told or assumed, and how many of the last ones are looked at.
LEARNT_FROM, LEARNT_OF = 3, 7
#: A form or finish value this likely to be out soon calls for a dress.
FORM_CHANCE = 0.10
#: A dress becomes due for cost when a part to come costs this many times the average of the cycle,
#: more where the wheel's age is not known, and stays due until it costs clearly less (judgement).
BECOMES_DUE, UNSURE_DUE, STAYS_DUE = 1.01, 1.05, 0.95
#: A form or finish calls for a dress on a value no older than so many parts, or than one reading to
#: the next (judgement).
FORM_FRESH = 5
#: Likewise for form: once due, half the chance keeps it so.
FORM_STAYS = 0.5
#: Below this share of the cost that calls for a dress, half the way to it passes before the next
#: look (judgement).
CALM_BELOW = 0.8
#: A wheel is at least as old as its count: from this share of a habit that was told it is old
#: enough for a dress by cost, whatever its age was at the start (judgement).
HABIT_SHARE = 0.8
#: A wheel of unknown age was seen to dull when this run's readings raised the odds that its spread
#: grows so many times, or when the growth of its drift or form is beyond so many standard
#: deviations (judgement).
DULLED_ODDS, DULLED_SDS = 1.0, 2.0
#: Power that sharpens beliefs on how wheels dull before a dress is decided on them (judgement).
CANDOUR = 1.25
#: Shapes of growth this much less believed than the likeliest are left out of the reckoning.
NEGLIGIBLE = 1e-4
#: Ages at which costs are evaluated, at most.
POINTS = 40


@dataclass(frozen=True)
class DressCase:
    """
    What speaks for a dress. Costs in the plan's currency, per part.

    `coming` is the cost of a part in the next stretch, `average` that of the whole cycle so far
    with its dress; `left` the parts to the best dress; `reason` is "" while none is due, "limit",
    "cost", "glazing", or the feature of form or finish that is about to leave its limit. `unread`
    is one that would make a dress due if its value were not so old; "" for none.
    """

    coming: float
    average: float
    left: int
    reason: str
    unread: str


def dress_case(track: Track, *, due: str = "", leapt: bool = False) -> DressCase:
    """
    Whether a dress is due, by the marginal rule of age replacement (Barlow and Proschan).

    Parameters
    ----------
    track : Track
        What is known.
    due : str
        The reason for which a dress was due already at the part read before; "" for none.
    leapt : bool
        Whether the size leapt lately and nobody knows why.
    """
    age, life = track.age, track.life
    ahead = max(4, round(track.spacing), round(0.08 * track.life))
    limit = track.settings.max_parts
    end = limit if limit is not None else int(3 * max(life, age))
    ages, steps, grown = _table(age, ahead, max(end, age + 2 * ahead), life, track.growth.told)
    total = dress_price(track) + np.cumsum(_between(part_costs(track, ages, grown)) * steps)
    average = total / ages
    here = int(np.searchsorted(ages, max(age, 1)))
    coming = float((total[here + 1] - total[here]) / (ages[here + 1] - ages[here]))
    best = here + int(np.argmin(average[here:]))
    left = max(int(ages[best]), math.ceil(_earliest(track))) - age
    if limit is not None:
        left = min(left, limit - age)
    usual = float(average[here])
    unread = ""
    if limit is not None and age >= limit:
        reason = "limit"
    elif too_young(track):
        reason = ""
    else:
        reason = _form_due(track, age + ahead, due)
        if not reason and glazed(track, before=due == "glazing"):
            reason = "glazing"
        was = {"due": due == "cost", "leapt": leapt}
        if not reason and _cost_due(track, coming / usual, **was):
            name, dear = _dearest_form(track)
            if _cost_due(track, (coming - dear) / usual, **was):
                reason = "cost"
            elif not _fresh(track, name):
                unread = name
            elif not _young(track):  # a young wheel's form is seen to grow, or no cause
                reason = name if dear > 0.5 * coming else "cost"
    return DressCase(coming, usual, max(left, 0), reason, unread)


def too_young(track: Track) -> bool:
    """Whether no dress is thought of yet, but for the limit of the process sheet."""
    return track.age < FEWEST or (_young(track) and track.read_in_cycle < FEWEST_READ)


def _young(track: Track) -> bool:
    return track.age < _earliest(track)


def _earliest(track: Track) -> float:
    return max(EARLIEST * _usual_life(track), FEWEST)


def _usual_life(track: Track) -> float:
    """Parts per dress as told or assumed, or as wheels do where that proved to be too many."""
    done = [c["parts"] for c in track.cycles if c["ended_by"] == "dress" and c["age_known"]]
    if len(done) < LEARNT_FROM:
        return track.life
    return min(track.life, median(done[-LEARNT_OF:]))


def calm_parts(track: Track, case: DressCase) -> int:
    """
    Parts until it is looked at again whether a dress became due, 1 where it may be any moment.

    Towards the end of a cycle the cost of a part to come, over the average, climbs by about 1 in
    a life, and one reading seldom moves it by a fifth. Form and finish climb at no such pace.
    """
    if case.reason or track.forms:
        return 1
    return max(1, int(0.5 * track.life * (CALM_BELOW - case.coming / case.average)))


def glazed(track: Track, *, before: bool) -> bool:
    """
    Whether a glazing wheel has done what the plan's parts per dress usually do.

    A wheel that gets finer faster than others did is as old as its roughness says. `before`:
    whether that was so at the part read before.
    """
    name, habit = track.glazing(before=before), track.settings.wheel.parts_per_dress
    if not name or habit is None:
        return False
    return track.age >= habit or track.forms[name].ahead_of_habit(track.age, habit)


def _form_due(track: Track, age: int, due: str) -> str:
    young = _young(track)
    for name, form in track.forms.items():
        # One value says little of how fast form or finish fails.
        enough = form.seen + form.cycles >= 2
        if young or not track.age_known:
            enough = _seen_to_grow(form)
        chance = FORM_CHANCE * (FORM_STAYS if due == name else 1.0)
        if enough and _fresh(track, name) and form.chance_outside(age) > chance:
            return name
    return ""


def _fresh(track: Track, name: str) -> bool:
    """Whether a form or finish was read lately enough for a dress to rest on it."""
    return track.age - track.forms[name].read_at < max(FORM_FRESH, track.spacing)


def _dearest_form(track: Track) -> tuple[str, float]:
    """The form or finish that costs most of those that count, and what it does in parts to come."""
    price = track.settings.cost.rework
    dear = {name: price * chance_soon(track, name) for name in _counting(track)}
    most = max(dear, key=lambda name: dear[name], default="")
    return most, dear.get(most, 0.0)


def _counting(track: Track) -> dict[str, FormGrowth]:
    """The forms and finishes of which enough is known to reckon with them."""
    young = _young(track)
    return {
        name: form
        for name, form in track.forms.items()
        if (form.cycles >= 2 or _seen_to_grow(form) if young else form.seen + form.cycles >= 2)
    }


def chance_soon(track: Track, name: str) -> float:
    """Probability that a form or finish of the parts to come is outside its limit."""
    return track.forms[name].chance_outside(track.age + max(4, round(track.spacing)))


def _seen_to_grow(form: FormGrowth) -> bool:
    return form.seen >= 3 and form.growth_now > DULLED_SDS * form.growth_sd


def form_to_read(track: Track, case: DressCase) -> str:
    """The form or finish that may leave its limit soon and was not read lately; "" for none."""
    for name, form in track.forms.items():
        old = form.read_at and not _fresh(track, name)
        if old and (name == case.unread or chance_soon(track, name) > FORM_CHANCE):
            return name
    return ""


def _cost_due(track: Track, ratio: float, *, due: bool, leapt: bool) -> bool:
    """Whether a part to come costs enough more than the average, `ratio` the one to the other."""
    if due:
        return ratio > STAYS_DUE
    # A leap of the size is no sign of a dull wheel, unless its age is cause enough.
    if leapt and track.age < track.life:
        return False
    young = _young(track)
    old = track.age_known or track.age >= HABIT_SHARE * (track.settings.habit or math.inf)
    if not (young or old or _seen_to_dull(track)):
        return False
    if track.stays_sharp() or not (track.age_known or _may_have_dulled(track)):
        return False
    # What comes between readings, such as a pause, makes the size unsure and no wheel dull.
    if track.last_read < track.made or track.closed:
        return False
    if young:
        return ratio > YOUNG_DUE
    return ratio > (BECOMES_DUE if track.age_known else UNSURE_DUE)


def _may_have_dulled(track: Track) -> bool:
    """Of a wheel of unknown age: not where a form or finish stays and no spread says otherwise."""
    stays = any(form.stays for form in track.forms.values())
    return not stays or track.spread_grows(DULLED_ODDS)


def _seen_to_dull(track: Track) -> bool:
    """Whether this run's readings, not age, say that the wheel dulls: by spread or by drift."""
    if track.spread_grows(DULLED_ODDS):
        return True
    habits = [track.drift.estimate(which) for which in (CURVE, BEND)]
    return any(mean > DULLED_SDS * math.sqrt(var) for mean, var in habits)


@lru_cache(maxsize=256)
def _table(
    age: int, ahead: int, end: int, life: float, told: bool
) -> tuple[Floats, Floats, Floats]:
    """
    Some ages from 1 to the end, the steps between them, and growth of the spread at each.

    Among them are this age and the end of the next stretch.
    """
    past = np.linspace(1, max(age, 1), POINTS // 2).round()
    future = np.linspace(age + ahead, max(end, age + ahead), POINTS // 2).round()
    ages = np.unique(np.concatenate([past, [max(age, 1), age + ahead], future]))
    return ages, np.diff(ages, prepend=0.0), growth(ages, life, told=told)


def _between(cost: Floats) -> Floats:
    """Mean cost over the stretch that ends at each point."""
    before = np.concatenate([cost[:1], cost[:-1]])
    return 0.5 * (before + cost)


def part_costs(track: Track, ages: Floats, grown: Floats) -> Floats:
    """
    Expected cost of a part at each age when offsets are made as they pay. [currency]

    Spread costs by its shapes of growth, drift by the sawtooth of its offsets: with a price C
    per move and a loss K (x/w)² the best sawtooth lasts n = (6 C w²/(K b²))^(1/3) parts and
    costs 1.5 C/n a part. `grown` is `health.growth` at these ages.
    """
    stakes = track.stakes()
    price = max(track.settings.cost.offset, 1e-6)
    curve = max(stakes.off_target, 1e-3 * stakes.scrap, 1e-6) / stakes.half_width**2
    drift = np.maximum(drift_at(track, ages), 1e-6 * stakes.half_width)
    tooth = np.cbrt(6 * price / (curve * drift**2))
    tooth = np.minimum(np.maximum(tooth, max(track.spacing, 1.0)), 1e6)
    rise = np.minimum(drift * tooth, 2 * stakes.half_width)
    _, level_var = track.level()
    # The level is known worse the older the wheel: half as well again now as over the cycle.
    aging = 0.5 + (ages / max(track.age, 1)) ** 2
    usual = np.minimum(level_var * aging, (0.5 * stakes.half_width) ** 2) + 0.2 * track.noise
    belief = track.growth.sharpened(CANDOUR)
    likely = np.nonzero(belief > NEGLIGIBLE * belief.max())
    cases = track.growth.fresh[likely[0], None] * grown[likely]
    part_var = np.maximum(cases - track.gauge_var, 0.3 * cases)
    sds, least = best_loss(stakes)
    spread = np.interp(np.sqrt(part_var + (usual + rise**2 / 12)), sds, least)
    weights = belief[likely]
    cost = weights @ spread / weights.sum() + price / tooth
    for form in _counting(track).values():
        out = np.array([form.chance_outside(a) for a in ages.tolist()])
        cost = cost + track.settings.cost.rework * out
    return np.asarray(cost)


def drift_at(track: Track, ages: Floats) -> Floats:
    """Wear per part along the cycle: what is known now, carried back and on by the bend."""
    slope, _ = track.drift.estimate(SLOPE)
    shape = track.drift.slopes_at(ages)
    share = np.minimum(ages / max(track.age, 1), 1.0)
    return np.abs(shape + (track.usual_slope[0] - slope) * (1 - share))


def dress_price(track: Track) -> float:
    """A dress with what follows: the size it leaves uncertain until it is read and corrected."""
    cost = track.settings.cost
    stakes = track.stakes()
    fresh = max(track.growth.variance(1) - track.gauge_var, 1e-9)
    known = best_loss_at(stakes, math.sqrt(fresh))
    unknown = best_loss_at(stakes, math.sqrt(fresh + track.dresser.sd**2))
    return cost.dress + 0.5 * cost.offset + (unknown - known) * (1 + 0.5 * track.spacing)


def slope_now(track: Track) -> tuple[float, float]:
    """
    Wear per part at this age, and its standard deviation. [µm]

    Wear goes one way. So the habits of its curve are taken as they are known by now, but for one
    that turns it back: that has to be sure of them, too.
    """
    age = track.cutting_age
    slope = track.drift.slope_at(age)
    var = track.drift.slope_var_at(age) if slope < 0 else track.drift.estimate(SLOPE)[1]
    return slope, math.sqrt(var)
