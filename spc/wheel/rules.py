"""The next act by expected cost: leave it, offset by how much, or dress."""

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, NamedTuple

from spc.dress_cycles import SETUP_PARTS
from spc.wheel.dress_rule import DressCase, dress_case, slope_now
from spc.wheel.drift import BREAK_IN, SLOPE, WARMTH
from spc.wheel.loss import DeadBand, best_loss_at, dead_band, part_loss, part_losses
from spc.wheel.track import Track

#: An offset smaller than this many standard deviations of the level is not made.
CLEAR_SDS = 1.0
#: One that takes back what was moved before the last reading, and goes the way wear goes by itself,
#: has to be this many.
BACK_SDS = 1.5
#: Unless the next part is out with this probability.
GUARD = 0.03
#: Where drift, one standard deviation more than estimated, carries the size by less than this share
#: of the half tolerance over a usual life, nothing hurries: there a move has to be so many standard
#: deviations of the level, and save so many times its price on top of it. Anything less answers
#: noise (judgement).
STILL, STILL_SDS, STILL_PRICES = 0.6, 3.0, 1.0
#: An offset before the first reading after a change of wheel, batch or swivel answers no part but
#: the change: it has to be this many standard deviations.
UNREAD_SDS = 2.0
#: Readings of the run before which only a part that is nearly out is corrected, and readings that
#: close a leap of the size nobody explained.
FEW, CALM = 2, 3
#: Leaps to the side of wear in one cycle, each after an offset that answered the one before, from
#: which on a wheel that breaks down is as good a cause as any (judgement).
AGAIN = 2
#: Offsets looked at for reversals, and the share of them above which offsets are held dearer: moves
#: that only answer noise reverse two times in three, moves that answer a wandering level less.
REVERSALS_OF, REVERSED = 12, 0.67
#: Most that offsets are held dearer for it.
DEAREST = 2.0
#: Reading intervals thought of.
SHORTEST, LONGEST = 2, 12
#: Cap on the interval in the second half of the habitual life: parts, but no more than the first
#: share of that life, and as many as the second, since a wheel that lasts dulls slowly (judgement).
LATE_CAP, LATE_MOST, LATE_LEAST = 8, 0.25, 0.1


@dataclass
class Habits:
    """What was done lately, as far as it restrains the next act. Amounts mirrored. [µm]"""

    since_offset: int = 9  # parts read since the last offset
    unread_offset: bool = False  # an offset was entered and no part read since
    offsets: list[float] = field(default_factory=list)
    dearer: float = 1.0  # times the price of an offset, while moves keep reversing
    since_pause: int = 9  # parts read since the last pause
    since_jump: int = 9  # parts read since a jump was confirmed
    since_leap: int = 9  # parts read since the size leapt for no known cause, none held
    leaps: int = 0  # to the side of wear in this cycle, each after the one before was answered
    brought_back: bool = False  # an offset was entered since the last of them
    unread_change: str = ""  # "wheel", "batch" or "swivel", and no part read since
    due: str = ""  # reason for which a dress was due at the part read last
    due_since: int = 0  # part at which that began
    told: list[float] = field(default_factory=list)  # `Told` of the last dress; empty for none
    look_at: int = 0  # part from which on it is looked at again whether a dress is due

    def offset(self, amount: float) -> None:
        """An offset was entered."""
        self.unread_offset, self.since_offset, self.brought_back = True, 0, True
        self.offsets = [*self.offsets, amount][-REVERSALS_OF:]
        # A dress stands as 0 between moves: what it takes back is no reversal.
        pairs = [(a, b) for a, b in pairwise(self.offsets) if a and b]
        if len(pairs) < 4:
            return
        if sum(a * b < 0 for a, b in pairs) > REVERSED * len(pairs):
            self.dearer = min(2 * self.dearer, DEAREST)
        else:
            self.dearer = max(self.dearer / 2, 1.0)

    def takes_back(self, amount: float) -> bool:
        """Whether a move goes back on the last one after a single reading."""
        return bool(self.offsets) and self.offsets[-1] * amount < 0 and self.since_offset <= 1

    def dress(self, told: "Told | None" = None) -> None:
        """The wheel was dressed or changed; `told` is what belongs to a dress."""
        self.told = [] if told is None else list(told)
        self.unread_offset = False
        self.offsets = [*self.offsets, 0.0][-REVERSALS_OF:]
        self.due, self.due_since, self.look_at = "", 0, 0
        self.since_leap, self.leaps = CALM, 0

    def leap(self, *, up: bool, new: bool) -> None:
        """
        The size leapt for no logged cause, to the side of wear (`up`) or the other.

        `new`: it is no second sight of a leap that was seen before.
        """
        self.since_leap = 0
        if new and up and (self.brought_back or not self.leaps):
            self.leaps, self.brought_back = self.leaps + 1, False

    def read(self, *, held: bool = False) -> None:
        """A part was read; `held`: while others are held for a cause not found yet."""
        self.unread_offset, self.unread_change = False, ""
        self.since_offset += 1
        self.since_pause += 1
        self.since_jump += 1
        self.since_leap += not held

    def dress_due(self, reason: str, part: int, *, calm: int = 1) -> None:
        """The part read last has a dress due for this reason; "": none, nor for `calm` parts."""
        if reason != self.due:
            self.due, self.due_since = reason, part if reason else 0
        self.look_at = part + calm

    @property
    def leapt(self) -> bool:
        """Whether the size leapt lately and nobody knows why; again and again, the wheel is why."""
        return self.since_leap < CALM and self.leaps < AGAIN

    @classmethod
    def kept(cls, state: dict[str, Any]) -> "Habits":
        """As `state` left them."""
        return cls(**{**state, "offsets": list(state["offsets"]), "told": list(state["told"])})

    def state(self) -> dict[str, Any]:
        """Plain numbers."""
        return {**self.__dict__, "offsets": list(self.offsets), "told": list(self.told)}


@dataclass(frozen=True)
class Move:
    """An offset thought of, mirrored, and what it saves against leaving it, price paid."""

    amount: float
    saving: float


class Told(NamedTuple):
    """The move that belongs to a dress, and where the size should sit after that, mirrored."""

    amount: float
    saving: float
    level: float
    sd: float

    @property
    def move(self) -> Move:
        """The move alone."""
        return Move(self.amount, self.saving)


@dataclass(frozen=True)
class Case:
    """All that was weighed for one decision. Lengths mirrored from target. [µm]"""

    level: float  # where the size is going to be, settling included
    sd: float
    slope: float
    slope_sd: float
    aim: float
    move: Move  # the best one, wise or not; 0 when none helps
    wise: bool  # whether it pays and nothing restrains it
    waits: bool  # whether it would pay, but a reading has to come first
    can_wait: bool  # whether no drift hurries it, and it is not clear or hardly worth it
    dress: DressCase
    chance_out: float


def weigh(track: Track, habits: Habits) -> Case:
    """Everything the next act depends on."""
    level, var = track.level()
    slope, slope_sd = slope_now(track)
    dress = dress_case(track, due=habits.due, leapt=habits.leapt)
    sure = slope * slope / (slope * slope + slope_sd * slope_sd + 1e-12)
    ahead = level + _settling(track)
    # A drift that is hardly known is not aimed ahead of.
    band = band_of(track, habits, var, sure * slope)
    left = dress.left if dress.left > 0 else 10**6
    move = best_move(track, habits, band, ahead, var, slope, left)
    sd = math.sqrt(var)
    out = chance_out(track, level, var)
    wise = _wise(track, habits, move, sd, out)
    if track.just_dressed and habits.told and not (habits.unread_offset or habits.unread_change):
        # What was said with the dress stands until a part was ground.
        told = Told(*habits.told)
        ahead, sd, move, wise = told.level, told.sd, told.move, told.amount != 0
    elif track.just_dressed:
        wise = False
    return Case(
        level=ahead,
        sd=sd,
        slope=slope,
        slope_sd=slope_sd,
        aim=band.aim,
        move=move,
        wise=wise,
        waits=move.saving > 0 and not wise and not track.frame.only_nears_limit(move.amount),
        can_wait=_can_wait(track, move, sd, out),
        dress=dress,
        chance_out=out,
    )


def band_of(track: Track, habits: Habits, level_var: float, slope: float) -> DeadBand:
    """The dead band that fits drift, spread and wander as they are now."""
    return dead_band(
        track.stakes(),
        drift=slope,
        variance=track.part_var + level_var,
        wander=track.drift.unrest * track.noise,
        price=habits.dearer * track.settings.cost.offset,
        every=min(max(1, round(track.spacing)), LONGEST),
    )


def best_move(
    track: Track,
    habits: Habits,
    band: DeadBand,
    level: float,
    level_var: float,
    slope: float,
    left: int,
) -> Move:
    """The multiple of the machine's step that leaves the least cost from here on."""
    step = track.settings.machine.offset_step_um
    most = math.floor(track.settings.machine.max_offset_um / step + 1e-9)
    middle = round((band.aim - level) / step)
    tries = {max(-most, min(most, middle + i)) for i in (-1, 0, 1)} - {0}
    if not tries:
        return Move(0.0, 0.0)
    # Both signs are tried in a fixed order, so that ties never depend on anything else.
    steps = min(sorted(tries), key=lambda n: (band.at(level + n * step), abs(n)))
    amount = steps * step
    price = habits.dearer * track.settings.cost.offset
    saving = band.at(level) - band.at(level + amount)
    if left < 400:
        saving = min(saving, _saved(track, level, amount, level_var, slope, left))
    return Move(amount, saving - price)


def _saved(
    track: Track, level: float, amount: float, level_var: float, slope: float, parts: int
) -> float:
    """Loss saved by a move over the parts still to come before the next dress."""
    stakes = track.stakes()
    variance = track.part_var + level_var
    points = min(parts, 5)
    left = [level + slope * (0.5 + i) * parts / points for i in range(points)]
    moved = [place + amount for place in left]
    saved = part_losses(stakes, left, variance) - part_losses(stakes, moved, variance)
    return saved * parts / points


def _wise(track: Track, habits: Habits, move: Move, sd: float, out: float) -> bool:
    if move.amount == 0 or move.saving <= 0 or habits.unread_offset or habits.since_jump == 0:
        return False
    if track.frame.only_nears_limit(move.amount):
        return False
    if habits.since_pause <= 1 and out < 0.05:
        return False
    if track.last_read == 0:
        return False
    if track.age > 0 and track.last_read < track.made and out < GUARD:
        return False  # nothing new was read; the reading to come will say more
    if habits.unread_change and abs(move.amount) < UNREAD_SDS * sd:
        return False
    if track.read_in_run < FEW and out < GUARD:
        return False
    if _can_wait(track, move, sd, out):
        return False
    clear = max(track.settings.machine.offset_step_um, CLEAR_SDS * sd)
    if habits.takes_back(move.amount) and 0 < move.amount <= BACK_SDS * sd and out <= GUARD:
        return False
    return abs(move.amount) >= clear - 1e-9 or out > GUARD


def _still(track: Track) -> bool:
    """Whether the size stays where it is, once set up, for all that is known of the drift."""
    if track.read_in_cycle <= SETUP_PARTS:
        return False
    slope, slope_sd = slope_now(track)
    return (abs(slope) + slope_sd) * track.life < STILL * track.frame.half_width


def _can_wait(track: Track, move: Move, sd: float, out: float) -> bool:
    """Whether nothing hurries a move that is not clear, or hardly worth it."""
    if out > GUARD or not _still(track):
        return False
    dear = move.saving >= STILL_PRICES * track.settings.cost.offset
    return not (dear and abs(move.amount) >= STILL_SDS * sd)


def after_dress(track: Track, habits: Habits) -> Told | None:
    """The move that belongs to a dress now; None while it is not known what a dress does."""
    if track.last_read == 0 or not track.dresser.effect.sure:
        return None
    after, var = track.dress_move()
    level = after + 0.6 * track.to_come(0)
    slope = track.usual_slope[0] + track.drift.slope_at(1) - track.drift.estimate(SLOPE)[0]
    band = band_of(track, habits, var, slope)
    move = best_move(track, habits, band, level, var, slope, 10**6)
    if not track.cycles:
        # Of the first dress the move is chosen warily, as from a wheel of unknown age; how sure the
        # size will be is told by what is known once the cycle has ended.
        var = track.dressed().level()[1]
    amount, saving = (move.amount, move.saving) if move.saving > 0 else (0.0, 0.0)
    return Told(amount, saving, level, math.sqrt(var))


def _settling(track: Track) -> float:
    """Level still to come from break-in and from warm-up, as far as it is known."""
    warmth, var = track.drift.estimate(WARMTH)
    known = warmth * warmth / (warmth * warmth + 4 * var + 1e-12)
    settings = track.settings
    minutes = 10 * settings.minutes_per_part
    soon = -math.expm1(-minutes / settings.machine.warm_up_minutes)
    break_in, spread = track.drift.estimate(BREAK_IN)
    told = break_in * break_in / (break_in * break_in + spread + 1e-12)
    return 0.6 * told * track.to_come(track.age) + known * warmth * (1 - track.warm) * soon


def chance_out(track: Track, level: float, var: float) -> float:
    """Probability that the next part is outside a guarded limit of any diameter."""
    worst = 0.0
    for zone in track.stakes().zones:
        root = math.sqrt(0.5 / (track.part_var * zone.spread_ratio**2 + var))
        place = level + zone.shift
        out = math.erfc((place - zone.lower) * root) + math.erfc((zone.upper - place) * root)
        worst = max(worst, 0.5 * out)
    return worst


def measure_after(track: Track, habits: Habits, case: Case, open_question: bool) -> int:
    """Parts until the next reading; the plan's sampling is the least frequent allowed."""
    asked = [f.sample for f in track.settings.features if f.sample is not None]
    most = min(asked) if asked else LONGEST
    since = track.made - track.last_read
    forced = (
        open_question
        or habits.unread_offset
        or track.made < SETUP_PARTS
        or (track.begun_by != "start" and track.read_in_cycle < 2)
        or track.read_in_cycle < SETUP_PARTS - 1
        or habits.since_pause < 2
    )
    if forced:
        return 1
    late = max(min(LATE_CAP, round(LATE_MOST * track.life)), round(LATE_LEAST * track.life))
    cap = late if track.age > 0.5 * track.life else LONGEST
    limit = track.settings.wheel.max_parts_per_dress
    if limit is not None and limit > track.age:
        most = min(most, limit - track.age + since)
    return max(1, min(most, cap, _best_interval(track)) - since)


def _best_interval(track: Track) -> int:
    """
    Interval at which the price of a reading and the risk of not reading cost least per part.

    The coming parts go on as they are: drift and break-in carry the level, and what is not known
    of it grows until the next reading.
    """
    stakes, noise = track.stakes(), track.noise
    level, var = track.level()
    slope, slope_sd = slope_now(track)
    least = best_loss_at(stakes, math.sqrt(track.part_var))
    settled = track.to_come(track.age)
    total = track.settings.cost.measure
    for ahead in range(1, LONGEST + 1):
        place = level + slope * ahead + settled - track.to_come(track.age + ahead)
        unknown = var + track.drift.unrest * noise * ahead + (slope_sd * ahead) ** 2
        more = part_loss(stakes, place, track.part_var + unknown) - least
        # One part more is dearer than the stretch so far is on average.
        if ahead > SHORTEST and more > total / (ahead - 1):
            return ahead - 1
        total += more
    return LONGEST
