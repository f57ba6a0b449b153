"""One study as the pages look at it: names of parts, digits of a feature, flags of its parts."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from spc.findings import FeatureStudy, HeldSpan, Prompt, Study
from spc.report.marks import action_of, advised_key
from spc.report.voice import Voice, digits_for, tame, with_tags

#: A tag that counts: anything, then a number.
_TAG = re.compile(r"(.*?)(\d{1,15})")
#: Parts named in one sentence; more are counted.
MOST_NAMED = 6
#: Actions that are about one feature's parts, and mark them in its picture.
_ACTS_ON_LEVEL = frozenset({"offset", "swivel", "dress", "let_it_warm", "measure_again", "hold"})


@dataclass(frozen=True, eq=False)
class Lens:
    """A study and the voice it is told in."""

    study: Study
    voice: Voice

    @cached_property
    def serials(self) -> dict[int, str]:
        """Serial of every measured part; empty when serials only repeat the part numbers."""
        table = self.study.run.measurements
        pairs = dict(zip(table["part"].tolist(), table["serial"].tolist(), strict=True))
        if all(serial in ("", str(part)) for part, serial in pairs.items()):
            return {}
        return {part: tame(str(serial), 40) for part, serial in pairs.items()}

    def serial(self, part: int) -> str:
        """Serial of a part, counted on from its neighbours where it was not read; "" if unknown."""
        if part in self.serials or not self.serials:
            return self.serials.get(part, "")
        return "" if self._numbering is None else self._numbering(part)

    @cached_property
    def _numbering(self) -> Callable[[int], str] | None:
        """How tags count on with the parts; None where they do not do so without a gap."""
        read = [(part, _TAG.fullmatch(serial)) for part, serial in self.serials.items()]
        tags = {(tag[1], int(tag[2]) - part) for part, tag in read if tag is not None}
        if len(tags) != 1 or any(tag is None for _, tag in read):
            return None
        (before, apart) = tags.pop()
        digits = max(len(tag[2]) for _, tag in read if tag is not None)
        padded = any(tag is not None and tag[2].startswith("0") for _, tag in read)
        return lambda part: f"{before}{part + apart:0{digits if padded else 1}d}"

    def tagged(self, first: int, last: int) -> str:
        """A part or a span of parts with the serials on its tags, where those differ."""
        low, high = self.serial(first), self.serial(last)
        slots = {"first": first, "last": last}
        if low and first == last:
            return self.voice.say("part.serial", n=first, serial=low)
        if low and high:
            return self.voice.say("part.span_serials", low=low, high=high, **slots)
        inside = [self.serials[part] for part in sorted(self.serials) if first <= part <= last]
        if not inside:
            return self.span(first, last)
        return self.voice.say("part.span_some", serials=", ".join(inside[:MOST_NAMED]), **slots)

    def with_serials(self, words: str) -> str:
        """A sentence of the adviser, the parts it names with their serials."""
        return with_tags(words, self.tagged)

    def part(self, part: int) -> str:
        """A part by its number, with the serial it carries when that differs."""
        serial = self.serials.get(part)
        if serial is None:
            return self.voice.say("part.one", n=part)
        return self.voice.say("part.serial", n=part, serial=serial)

    def span(self, first: int, last: int) -> str:
        """One part or a span of parts."""
        if first == last:
            return self.voice.say("part.one", n=first)
        return self.voice.say("part.span", first=first, last=last)

    def parts(self, parts: Sequence[int]) -> str:
        """A few parts by number, the others counted."""
        if len(parts) == 1:
            return self.voice.say("part.one", n=parts[0])
        named, more = ", ".join(map(str, parts[:MOST_NAMED])), len(parts) - MOST_NAMED
        if more <= 0:
            return self.voice.say("part.few", named=named)
        return self.voice.say("part.many", named=named, more=more)

    def feature(self, feature: FeatureStudy) -> "FeatureLens":
        """The same, looking at one feature."""
        return FeatureLens(self, feature)

    @cached_property
    def features(self) -> tuple["FeatureLens", ...]:
        """All features, the lead first."""
        lead = self.study.lead
        ordered = sorted(self.study.features, key=lambda f: f is not lead)
        return tuple(self.feature(f) for f in ordered)

    @cached_property
    def lead(self) -> "FeatureLens | None":
        """The feature whose level steers offsets."""
        return None if self.study.lead is None else self.feature(self.study.lead)

    @cached_property
    def held(self) -> tuple[HeldSpan, ...]:
        """Holds that nobody has cleared."""
        return tuple(span for span in self.study.held if not span.cleared)

    @cached_property
    def last_time(self) -> datetime | None:
        """When the last part with a time was measured."""
        times = self.study.run.measurements["time"].dropna()
        return None if not len(times) else times.max().to_pydatetime()


@dataclass(frozen=True, eq=False)
class FeatureLens:
    """One feature of a study, with the digits its gauge supports."""

    lens: Lens
    of: FeatureStudy

    @property
    def name(self) -> str:
        """Name of the feature, harmless to read."""
        return tame(self.of.name, 60)

    @property
    def place(self) -> int:
        """Place of the feature in the plan, from 1: it names the feature's figures."""
        return [f.name for f in self.lens.study.features].index(self.of.name) + 1

    @cached_property
    def step_um(self) -> float:
        """Smallest step that its readings show; the plan's while unknown. [µm]"""
        seen = self.of.resolution.step if self.of.resolution else None
        own = float(seen or self.of.feature.gauge_step_um or 0.1)
        # A difference of two readings is no finer than the gauge that took them.
        ends = [f for f in self.lens.features if f.of.name in (self.of.feature.between or ())]
        return max([own, *(end.step_um for end in ends)])

    @cached_property
    def digits(self) -> int:
        """Digits of a single deviation in µm."""
        return digits_for(self.step_um)

    @property
    def is_signed(self) -> bool:
        """Whether values are deviations that may have either sign."""
        return not self.of.feature.zero_bounded

    def um(self, value: float) -> str:
        """A single value, signed where the sign means something."""
        return self.lens.voice.um(value, self.digits, signed=self.is_signed)

    def estimate(self, value: float, *, signed: bool = False) -> str:
        """An estimate, one digit finer than a single reading."""
        return self.lens.voice.um(value, self.digits + 1, signed=signed)

    def bare(self, value: float, *, finer: int = 0) -> str:
        """A value without its unit, for table columns that name it."""
        return self.lens.voice.number(value, self.digits + finer, signed=self.is_signed)

    def size(self, value: float) -> str:
        """The absolute size; the value itself where there is no nominal."""
        return self.lens.voice.size(self.of.feature, value, self.step_um)

    def told(self, value: float) -> str:
        """The absolute size and its deviation; the value alone where there is no nominal."""
        if self.of.feature.nominal_mm is None:
            return self.um(value)
        return f"{self.size(value)} ({self.um(value)})"

    @property
    def guarded(self) -> str:
        """The word before limits that the gauge's uncertainty has narrowed; empty without any."""
        drawn = (self.of.feature.lower_um, self.of.feature.upper_um)
        narrowed = any(np.isfinite(g) and g not in drawn for g in self.of.feature.guarded_um)
        return f"{self.lens.voice.say('run.guarded')} " if narrowed else ""

    @property
    def limits(self) -> str:
        """The limits of the drawing, in words."""
        lower, upper = self.of.feature.lower_um, self.of.feature.upper_um
        if lower is None:
            return f"≤ {self.um(upper)}" if upper is not None else ""
        if upper is None:
            return f"≥ {self.um(lower)}"
        return f"{self.bare(lower)} … {self.um(upper)}"

    @cached_property
    def flags(self) -> dict[int, str]:
        """Flagged parts and the mark of the action they take, the gravest flag winning."""
        flags: dict[int, str] = {}
        chart = self.of.sloping
        if chart is not None:
            beyond = np.asarray(chart.beyond, dtype=bool)
            flags |= dict.fromkeys(self.of.series.parts[beyond].tolist(), "check")
        if self.lens.study.lead is self.of:
            flags |= self._advised()
        flags |= dict.fromkeys(self.of.in_doubt, "measure_again")
        return flags | dict.fromkeys(self.of.outside, "hold")

    def _advised(self) -> dict[int, str]:
        """
        Parts at which an act was first advised.

        The same advice, repeated while nobody acted on it, marks no further parts: the record of
        advice holds every one.
        """
        mine = set(self.of.series.parts.tolist())
        done = [(act.after_part, act.kind) for act in self.lens.study.acts]
        marks: dict[int, str] = {}
        before: Prompt | None = None
        for prompt in self.lens.study.prompts:
            action, part = prompt.advice.action, prompt.part
            repeated = (
                before is not None
                and before.advice.action == action
                and not any(before.part <= at < part and kind == action for at, kind in done)
            )
            if action in _ACTS_ON_LEVEL and part in mine and not repeated:
                marks[part] = advised_key(action, prompt.advice.offset_um)
            before = prompt
        return marks

    def value_at(self, part: int) -> float:
        """Value of a measured part, charted or too far out to be charted. [µm]"""
        at = np.flatnonzero(self.of.series.parts == part)
        if len(at):
            return float(self.of.series.deviation_um[at[0]])
        table = self.lens.study.run.measurements
        mine = (table["part"] == part) & (table["feature"] == self.of.name)
        return float(table["deviation_um"][mine].mean())

    def why_flagged(self, part: int) -> str:
        """Why a part carries its flag."""
        say = self.lens.voice.say
        if part in self.of.outside:
            return say("flag.outside")
        if part in self.of.in_doubt:
            return say("flag.doubt")
        action = self.flags[part]
        if action == "check":
            return say("flag.beyond")
        word = say(f"action.{action_of(action)}")
        if action_of(action) == "offset":
            way = say("next.plus_smaller" if "_down" in action else "next.plus_bigger")
            return say("flag.advised_way", action=word, way=way)
        return say("flag.advised", action=word)

    def clocks(self, at: ArrayLike) -> list[str]:
        """Local hours and minutes of the values at some positions; empty where not written."""
        stamps = pd.DatetimeIndex(self.of.series.time[np.asarray(at, dtype=int)])
        local = stamps.tz_localize("UTC").tz_convert(self.lens.voice.zone)
        known = ~np.isnan(local.hour.to_numpy(dtype=float))
        return [
            f"{int(hour):02d}:{int(minute):02d}" if there else ""
            for hour, minute, there in zip(local.hour, local.minute, known, strict=True)
        ]

    @cached_property
    def shape_drawn(self) -> tuple[np.ndarray, np.ndarray] | None:
        """
        Values and the share of parts that the shape taken has below each, shape (601,).

        Fine enough for pictures, and much cheaper than asking the shape for each: a path has a
        term for every level of the run. None when no shape was taken.
        """
        capability = self.of.capability
        if capability is None or capability.evidence.shape is None:
            return None
        y = self.of.series.deviation_um
        reach = float(np.ptp(y)) or 1.0
        grid = np.linspace(float(y.min()) - reach, float(y.max()) + reach, 601)
        return grid, np.asarray(capability.evidence.shape.cdf(grid))
