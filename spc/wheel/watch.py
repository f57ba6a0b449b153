"""Readings that surprise, and what is done about them: read again, confirmed, checked, held."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import fmean, median
from typing import Any

from spc.wheel.hold import PROVEN, Hold, hold_on
from spc.wheel.repeats import NO_PAIRS, Pairs, believed, reach, spread, with_pair
from spc.wheel.settings import FeatureSettings, Settings
from spc.wheel.wording import check_words, doubted_words

#: A reading this many standard deviations from its forecast is measured again.
GROSS = 3.5
#: After a confirmed jump, a part this many deviations off to the same side confirms the level.
SAME_SIDE = 2.0
#: Repeats of one part that are remembered.
REPEATS = 9


@dataclass(frozen=True)
class Finding:
    """
    What of a reading goes into the estimate.

    `values` are the readings of this part that count (deviations), `taken` their mean or None;
    `jump` is how far the level may have leapt; `check` that a jump was confirmed just now.
    """

    values: tuple[float, ...] = ()
    first: bool = True
    jump: float = 0.0
    check: bool = False

    @property
    def taken(self) -> float | None:
        """Mean of the values that count."""
        if len(self.values) == 1:
            return self.values[0]
        return fmean(self.values) if self.values else None


NOTHING = Finding()
Forecast = tuple[float, float] | None


class Watch:
    """Keeps what is open between readings: questions, jumps, holds. Lengths as deviations, µm."""

    def __init__(self, settings: Settings, before: int = 0) -> None:
        self._features = {feature.name: feature for feature in settings.features}
        self.part_number = before
        self.values: dict[str, list[float]] = {}  # readings of this part
        self.asked: dict[str, str] = {}  # why a second reading is wanted: surprise, outside, unlike
        self.gaps: dict[str, list[float]] = {}  # gap to forecast and its sd at the first reading
        self.done: list[str] = []  # features of this part in the estimate
        self.good_now: list[str] = []  # features of this part found inside
        self.bad_now = False
        self.check: dict[str, Any] | None = None  # asked for at this part
        self.jumps: dict[str, int] = {}  # side of a confirmed jump waiting for the next part
        self.strays: dict[str, list[float]] = {}  # surprise left out: value and side
        self.hold: Hold | None = None
        # Of parts before the first it is told of, all are taken for good.
        self.last_good: dict[str, int] = dict.fromkeys(self._features, before) if before else {}
        self.outs: dict[str, int] = {}  # side on which the part read last was outside
        self.unread_move = False
        self.excused = True  # something was done that may move the level far: set-up, dress
        self.pairs: dict[str, Pairs] = {}  # repeats seen, for the spread of the gauge

    # -- what happens --------------------------------------------------------------------------

    def part(self) -> None:
        """The next part was ground; questions about the last one lapse."""
        if self.hold is not None and (self.good_now or self.bad_now):
            good = bool(self.good_now) and not self.bad_now
            self.hold = self.hold.after_part(good=good)
        for name, why in self.asked.items():
            if why == "surprise":
                self.strays[name] = [self.values[name][-1], *self.gaps[name]]
            if side := self._side_out(self._features[name], self.values[name][-1]):
                self.outs[name] = side
        self.part_number += 1
        self.values, self.asked, self.gaps = {}, {}, {}
        self.done, self.good_now, self.bad_now = [], [], False
        self.check = None

    def event(self, kind: str) -> None:
        """An event may clear a hold or answer a check."""
        if kind == "cleared" and self.hold is not None and not self.hold.cleared:
            self.hold = self.hold.clear()
            self.bad_now, self.good_now = False, []
        if kind in ("cleared", "master"):
            self.check = None
            self.outs = {}

    def moved(self, amount: float) -> None:
        """The level was moved, as deviation; a surprise left out moves with it."""
        self.unread_move = True
        self.outs = {}
        for stray in self.strays.values():
            stray[0] += amount

    def forget(self) -> None:
        """A dress or a swivel: what was open about the level is void."""
        self.strays, self.jumps, self.outs = {}, {}, {}
        self.unread_move = False
        self.excused = True

    # -- readings ------------------------------------------------------------------------------

    def reading(self, feature: FeatureSettings, value: float, forecast: Forecast) -> Finding:
        """One reading of the part ground last; what of it goes into the estimate."""
        name = feature.name
        values = self.values[name] = [*self.values.get(name, ()), value][-REPEATS:]
        if len(values) == 1:
            return self._first(feature, value, forecast)
        return self._repeat(feature, values)

    def _first(self, feature: FeatureSettings, value: float, forecast: Forecast) -> Finding:
        name = feature.name
        gap, sd = (value - forecast[0], forecast[1]) if forecast else (0.0, 1.0)
        self.gaps[name] = [gap, sd]
        surprise = abs(gap) > GROSS * sd
        if side := self._side_out(feature, value):
            if self.outs.get(name) == side:  # two parts in a row: no reading error
                return self._resolve(feature, (value,), gap, sd, out=True, surprise=surprise)
            self.asked[name] = "surprise" if surprise else "outside"
            return NOTHING
        jump = self._accepted(name, value, gap, sd)
        if jump is not None:
            return self._enter(name, (value,), jump=abs(gap), check=jump == "neighbour")
        if surprise:
            self.asked[name] = "surprise"
            return NOTHING
        self.strays.pop(name, None)
        return self._enter(name, (value,))

    def _accepted(self, name: str, value: float, gap: float, sd: float) -> str | None:
        """Whether an earlier surprise, confirmed or left out, makes this one a jump."""
        side = self.jumps.pop(name, 0)
        if side * gap > SAME_SIDE * sd:
            self.strays.pop(name, None)
            return "confirmed"
        stray = self.strays.get(name)
        if stray and abs(gap) > GROSS * sd and stray[1] * gap > 0:
            self.strays.pop(name)
            if abs(value - stray[0]) < GROSS * sd:
                self._ask_check(name, gap)
                return "neighbour"
        return None

    def _repeat(self, feature: FeatureSettings, values: list[float]) -> Finding:
        name = feature.name
        self._learn_gauge(feature, values[-1] - values[-2])
        near = reach(feature, self.pairs.get(name, NO_PAIRS))
        agree = abs(values[-1] - values[-2]) <= near or self._both_off(feature, values)
        if name not in self.asked:
            if name in self.done and not self._alike(values, near):
                self.asked[name] = "unlike"
                return NOTHING
            return self._enter(name, believed(values, near), again=True)
        counting = tuple(values[-2:]) if agree else (values[-1],)
        if len(values) > 2 and not agree:
            counting = (median(values),)
        gap, sd = self.gaps[name]
        shift = fmean(counting) - values[0]
        out = feature.outside(fmean(counting))
        surprise = abs(gap + shift) > GROSS * sd
        if not agree and len(values) < 3 and (out or surprise):
            return NOTHING
        del self.asked[name]
        return self._resolve(feature, counting, gap + shift, sd, out=out, surprise=surprise)

    def _both_off(self, feature: FeatureSettings, values: list[float]) -> bool:
        """Whether both readings say the same thing of a part that was asked about."""
        if feature.name not in self.asked:
            return False
        gap, sd = self.gaps[feature.name]
        later = gap + values[-1] - values[0]
        far = abs(gap) > GROSS * sd and later * gap > 0 and abs(later) > GROSS * sd
        sides = {self._side_out(feature, v) for v in values[-2:]}
        return far or sides in ({1}, {-1})

    @staticmethod
    def _side_out(feature: FeatureSettings, value: float) -> int:
        lower, upper = feature.guarded_um
        if upper is not None and value > upper:
            return 1
        return -1 if lower is not None and value < lower else 0

    def gauge_sd(self, feature: FeatureSettings) -> float:
        """Spread of one reading of the same part: the plan's, corrected by the repeats. [µm]"""
        return spread(feature, self.pairs.get(feature.name, NO_PAIRS))

    def _learn_gauge(self, feature: FeatureSettings, difference: float) -> None:
        seen = self.pairs.get(feature.name, NO_PAIRS)
        learnt = with_pair(feature, seen, difference)
        if learnt is not seen:
            self.pairs[feature.name] = learnt

    def _alike(self, values: Sequence[float], near: float) -> bool:
        return len(values) > 2 or max(values) - min(values) <= near

    def _resolve(
        self,
        feature: FeatureSettings,
        counting: tuple[float, ...],
        gap: float,
        sd: float,
        *,
        out: bool,
        surprise: bool,
    ) -> Finding:
        name = feature.name
        jump = 0.0
        check = False
        side = self.jumps.pop(name, 0)
        stray = self.strays.pop(name, None)
        if side * gap > SAME_SIDE * sd or (surprise and stray and stray[1] * gap > 0):
            jump = abs(gap)
        elif surprise and self.excused:
            jump = abs(gap)  # a dress or a new set-up is cause enough
        elif surprise:
            self.jumps[name] = 1 if gap > 0 else -1
            self._ask_check(name, gap)
            check = True
        if out:
            self.outs[name] = self._side_out(feature, fmean(counting))
            self._hold(feature, fmean(counting), len(counting))
        return self._enter(name, counting, jump=jump, check=check, good=not out)

    def _enter(
        self,
        name: str,
        values: tuple[float, ...],
        *,
        jump: float = 0.0,
        check: bool = False,
        good: bool = True,
        again: bool = False,
    ) -> Finding:
        first = name not in self.done
        if first:
            self.done = [*self.done, name]
        if good and not again:
            self.good_now = [*self.good_now, name]
            self.last_good[name] = self.part_number
            self.outs.pop(name, None)
        self.unread_move = self.excused = False
        return Finding(values, first=first, jump=jump, check=check)

    def unanswered(self) -> Iterator[tuple[FeatureSettings, Finding]]:
        """Readings outside that were no surprise and got no repeat: they count as they are."""
        for name, why in list(self.asked.items()):
            if why == "outside" and name not in self.done:
                self.bad_now = True
                self.done = [*self.done, name]
                yield self._features[name], Finding((self.values[name][-1],))

    def _ask_check(self, name: str, gap: float) -> None:
        subject = "entry" if self.unread_move else "gauge"
        self.check = {"subject": subject, "name": name, "gap": gap}

    def _hold(self, feature: FeatureSettings, value: float, repeats: int) -> None:
        self.bad_now = True
        self.hold = hold_on(
            self.hold,
            feature.name,
            since=self.last_good.get(feature.name, 0) + 1,
            part=self.part_number,
            value=value,
            repeats=repeats,
        )

    # -- what follows --------------------------------------------------------------------------

    @property
    def holds(self) -> bool:
        """Whether parts are held and their cause was not cleared."""
        return self.hold is not None and not self.hold.cleared

    @property
    def proves(self) -> bool:
        """Whether the cause of a hold was cleared and good parts have still to prove it."""
        return self.hold is not None and self.hold.cleared

    @property
    def good_since(self) -> bool:
        """Whether enough good parts came since those that are held to steer as if none were."""
        return self.hold is not None and self.hold.good >= PROVEN

    def out_now(self, names: Sequence[str]) -> bool:
        """Whether the part read last is outside for one of these features, and confirmed."""
        return any(name in self.outs and name not in self.asked for name in names)

    def in_doubt(self, names: Sequence[str]) -> bool:
        """Whether a reading of one of these features is not believed yet."""
        return any(
            name in self.asked or name in self.strays or name in self.jumps for name in names
        )

    @property
    def open_question(self) -> bool:
        """Whether the very next part should be read because something is open."""
        return bool(self.asked or self.jumps or self.strays or self.check or self.hold)

    def verdict(self, *, can_steer: bool) -> tuple[str, str, str] | None:
        """Action, subject and evidence of whatever comes before steering; None: nothing does."""
        hold = self.hold
        if hold is not None and self._holding(hold, can_steer):
            return "hold", hold.name, hold.words
        if self.asked:
            name, why = next(iter(self.asked.items()))
            words = doubted_words(name, why, self.values[name], self.gaps[name])
            return "measure_again", name, words
        if self.check is not None:
            return "check", self.check["subject"], check_words(**self.check)
        return None

    def _holding(self, hold: Hold, can_steer: bool) -> bool:
        good = 0 if self.bad_now else hold.good + bool(self.good_now)
        if hold.cleared:
            return good < PROVEN and not (can_steer or self.asked or self.check)
        # Whoever grinds on without a word has heard the hold: what brings the size back is due, or
        # every part after it would be held as well; so is a doubt about a later part, or its
        # reading would be lost. A check does not hide that a part was found outside just now.
        if self.part_number == hold.opened:
            return True
        checked = self.check is not None and not self.bad_now
        return not (can_steer or self.asked or checked)

    @property
    def held_words(self) -> str:
        """What is still held while the size is being brought back; "" for nothing."""
        return "" if self.hold is None else self.hold.still_held_words

    # -- to and from plain numbers -------------------------------------------------------------

    _PLAIN = (
        "part_number", "values", "asked", "gaps", "done", "good_now", "bad_now", "check", "jumps",
        "strays", "hold", "last_good", "outs",
        "unread_move", "excused", "pairs",
    )  # fmt: skip

    def state(self) -> dict[str, Any]:
        """Plain numbers from which `resume` continues exactly."""
        return {name: _copy(getattr(self, name)) for name in self._PLAIN}

    def resume(self, state: dict[str, Any]) -> None:
        """Continue from `state`."""
        for name in self._PLAIN:
            setattr(self, name, _copy(state[name]))
        self.hold = None if state["hold"] is None else Hold(**state["hold"])


def _copy(value: Any) -> Any:
    if isinstance(value, Hold):
        return value.state()
    if isinstance(value, dict):
        return {key: _copy(item) for key, item in value.items()}
    return [_copy(item) for item in value] if isinstance(value, list | tuple) else value
