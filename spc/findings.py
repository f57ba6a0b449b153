"""What was concluded from one run: the nouns that every page, table and exit status reads."""

import math
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import UTC, datetime
from functools import cached_property
from typing import Any

import numpy as np

from spc import __version__
from spc.adviser.advice import Advice
from spc.capability.assessment import Capability
from spc.charts.doubts import Doubt
from spc.charts.limits import Chart, ChartPair
from spc.charts.off_line import OffLine, off_line
from spc.charts.signals import Signal
from spc.dress_cycles import DressCycle, WearLine
from spc.dress_interval import DressCosts
from spc.dressing_costs import dressing_costs
from spc.gauge.resolution import Resolution
from spc.more_charts.basis import MoreChart
from spc.more_charts.told import limits_told
from spc.plan import Feature, Plan
from spc.run import Run
from spc.series import Series
from spc.shifts import ShiftSpan

#: Parts read alike from which a gauge is asked about; fewer may be so by chance (our choice).
FEWEST_ALIKE = 8


@dataclass(frozen=True)
class Stability:
    """
    Whether the feature did only what wear explains.

    `seen` signals of the chosen patterns against `expected` by chance in a run of this length;
    None for `expected` when there is too little to judge. `stable` is None then, too.
    """

    stable: bool | None
    seen: int
    expected: float | None
    words: str


@dataclass(frozen=True, eq=False)
class FeatureStudy:
    """Everything concluded about one feature; None where there was too little to conclude."""

    feature: Feature
    series: Series
    individuals: ChartPair | None
    sloping: Chart | None
    signals: tuple[Signal, ...]
    wear: tuple[WearLine | None, ...]
    stability: Stability
    capability: Capability | None
    resolution: Resolution | None
    outside: tuple[int, ...]
    in_doubt: tuple[int, ...]
    base_words: str
    doubts: tuple[Doubt, ...] = ()
    false_alarms: str = ""
    more: tuple[MoreChart, ...] = ()

    @property
    def name(self) -> str:
        """Name of the feature in the plan."""
        return self.feature.name

    @cached_property
    def alike(self) -> int:
        """How many readings are alike to the last digit; 0 where some differ or they are few."""
        values = self.series.deviation_um
        if len(values) < FEWEST_ALIKE or np.ptp(values) > 0:
            return 0
        return int(self.series.readings.sum())

    @cached_property
    def off_line(self) -> OffLine | None:
        """The last parts of the running dress cycle where they have left their wear line."""
        if self.sloping is None:
            return None
        away = self.series.bare_um - self.sloping.center
        # A line is one cycle's own; parts of the one before have another.
        own = int(np.count_nonzero(self.series.cycle == self.series.cycle[-1]))
        # Values exactly on their line leave the noise of the arithmetic, far below any gauge.
        z = np.where(np.abs(away) > 1e-9, self.sloping.z, 0.0)
        found = off_line(z[-own:], away[-own:])
        return found and replace(found, first=found.first + len(away) - own)


@dataclass(frozen=True)
class Act:
    """
    An event of the run, with what it did to the lead feature where that can be told.

    `effect_um` is the level of the parts measured after it minus the level before, each from at
    most three parts; `effect_se_um` its standard error. Both None when either side is missing.
    `contradicted`: the parts prove that the size did not move by the amount of an offset.
    """

    kind: str
    after_part: int
    time: datetime | None
    amount_um: float | None
    minutes: float | None
    note: str
    effect_um: float | None
    effect_se_um: float | None
    contradicted: bool = False


@dataclass(frozen=True)
class Prompt:
    """Advice as it stood after a part, kept where it was an act or had just changed."""

    part: int
    time: datetime | None
    advice: Advice


@dataclass(frozen=True)
class HeldSpan:
    """
    Parts to hold: from after the last good check to before the next good one.

    `cleared`: the record says that this hold is over.
    """

    feature: str
    first: int
    last: int
    cleared: bool = False

    @property
    def count(self) -> int:
        """Number of parts in the span."""
        return self.last - self.first + 1


@dataclass(frozen=True, eq=False)
class Study:
    """Everything concluded from one run."""

    run: Run
    plan: Plan
    first_part: int
    last_part: int
    shift: ShiftSpan | None
    features: tuple[FeatureStudy, ...]
    cycles: tuple[DressCycle, ...]
    acts: tuple[Act, ...]
    prompts: tuple[Prompt, ...]
    held: tuple[HeldSpan, ...]
    advice: Advice
    learned: dict[str, Any]
    self_check: dict[str, Any]
    remarks: tuple[str, ...]

    @property
    def lead(self) -> FeatureStudy | None:
        """The feature whose level steers offsets."""
        lead = self.plan.lead
        return next((f for f in self.features if lead and f.name == lead.name), None)

    @cached_property
    def dress_costs(self) -> DressCosts | None:
        """Cost per part against the dress interval, reckoned when first read; None: no diameter."""
        return dressing_costs(self.run, self.plan, self.cycles, last=self.last_part)

    @property
    def made(self) -> int:
        """Parts ground in the span studied, measured or not."""
        return max(0, self.last_part - self.first_part + 1)

    @property
    def measured(self) -> int:
        """Parts with at least one accepted reading."""
        parts: set[int] = set()
        for feature in self.features:
            parts.update(feature.series.parts.tolist())
        return len(parts)

    @property
    def ended(self) -> datetime | None:
        """When the last part of the span was measured; None without times. [UTC]"""
        rows = self.run.measurements
        last = rows["time"][rows["part"] <= self.last_part].max()
        return None if last != last else last.to_pydatetime()

    @property
    def outside(self) -> tuple[int, ...]:
        """Measured parts with a feature outside its limits, in order."""
        return tuple(sorted({part for f in self.features for part in f.outside}))

    @property
    def parts_since_dress(self) -> int | None:
        """Parts ground since the last dress or wheel; None while none is known."""
        events = self.run.events
        known = events["kind"].isin(("dress", "wheel")) & (events["after_part"] <= self.last_part)
        return self.last_part - int(events["after_part"][known].max()) if known.any() else None

    def feature(self, name: str) -> FeatureStudy:
        """The study of one feature; KeyError when the plan has none of that name."""
        for feature in self.features:
            if feature.name == name:
                return feature
        raise KeyError(name)

    def as_dict(self) -> dict[str, Any]:
        """
        The study as one JSON document, ``"schema": "spc.study/1"``.

        Lengths in micrometres (``_um``) or millimetres (``_mm``), times in UTC, numbers with a
        dot; null where nothing can be said. `features` follow the plan's order, each with its
        values, charts, signals, wear per dress cycle, stability, capability and resolution.
        """
        return {
            "schema": "spc.study/1",
            "version": __version__,
            "job": plain(self.plan.job.model_dump()),
            "plan": {"source": self.plan.source, "sha256": self.plan.sha256},
            "sources": plain(self.run.sources),
            "account": dict(self.run.account),
            "span": {"first_part": self.first_part, "last_part": self.last_part},
            "shift": plain(self.shift),
            "made": self.made,
            "measured": self.measured,
            "parts_since_dress": self.parts_since_dress,
            "outside": list(self.outside),
            "held": plain(self.held),
            "features": [_feature_as_dict(feature) for feature in self.features],
            "cycles": plain(self.cycles),
            "acts": plain(self.acts),
            "prompts": [
                {"part": p.part, "time": plain(p.time), "advice": p.advice.as_dict()}
                for p in self.prompts
            ],
            "advice": self.advice.as_dict(),
            "dress_costs": plain(self.dress_costs),
            "self_check": plain(self.self_check),
            "remarks": list(self.remarks),
        }


def _feature_as_dict(study: FeatureStudy) -> dict[str, Any]:
    feature, series = study.feature, study.series
    return {
        "name": feature.name,
        "kind": feature.kind,
        "nominal_mm": feature.nominal_mm,
        "lower_um": feature.lower_um,
        "upper_um": feature.upper_um,
        "target_um": feature.target_um,
        "measured": len(series),
        "parts": plain(series.parts),
        "deviation_um": plain(series.deviation_um),
        "outside": list(study.outside),
        "in_doubt": list(study.in_doubt),
        "base": study.base_words,
        "individuals": study.individuals and _limits_as_dict(study.individuals.location),
        "moving_range": study.individuals and _limits_as_dict(study.individuals.spread),
        "sloping": study.sloping
        and {"sigma_um": study.sloping.sigma, "base": plain(study.sloping.base)},
        "alike": study.alike,
        "level_not_known": study.off_line
        and {
            "since_part": int(series.parts[study.off_line.first]),
            "parts": study.off_line.count,
            "off_wear_line_um": study.off_line.apart,
        },
        "signals": [
            {
                "pattern": signal.pattern,
                "first_part": int(series.parts[signal.first]),
                "last_part": int(series.parts[signal.last]),
                "says": signal.says,
                "source": signal.source,
            }
            for signal in study.signals
        ],
        "wear": plain(study.wear),
        "doubts": plain(study.doubts),
        "false_alarms": study.false_alarms,
        "more_charts": [limits_told(each) for each in study.more],
        "stability": plain(study.stability),
        "capability": study.capability and _capability_as_dict(study.capability),
        "resolution": plain(study.resolution),
    }


def _capability_as_dict(capability: Capability) -> dict[str, Any]:
    """As it may be quoted: an index that cannot be claimed does not appear at all."""
    found: dict[str, Any] = plain(capability)
    for name in ("within", "total", "compensated", "corrected"):
        portion = found[name]
        for index in ("cp", "cpk"):
            claimed = portion.pop(index)
            if claimed["value"] is not None:
                portion[claimed["name"].lower()] = claimed
    for name in ("cpm", "ppm"):
        if found[name]["value"] is None:
            del found[name]
    return found


def _limits_as_dict(chart: Chart) -> dict[str, Any]:
    return {
        "center_um": float(chart.center[-1]),
        "lower_um": float(chart.lower[-1]),
        "upper_um": float(chart.upper[-1]),
        "sigma_um": chart.sigma,
        "base": plain(chart.base),
    }


def plain(value: Any) -> Any:
    """
    A result as JSON knows it: dataclasses become objects, arrays lists, what is no finite number
    null, times UTC text.

    Examples
    --------
    >>> plain((1.5, float("nan"), datetime(2026, 11, 25, 6, tzinfo=UTC)))
    [1.5, None, '2026-11-25T06:00:00Z']
    """
    if is_dataclass(value):
        # Fields kept out of the repr are working material, not results.
        return {f.name: plain(getattr(value, f.name)) for f in fields(value) if f.repr}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
