"""What was concluded from one run: the nouns that every page, table and exit status reads."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from spc.capability.assessment import Capability
from spc.charts.limits import Chart, ChartPair
from spc.charts.signals import Signal
from spc.gauge.resolution import Resolution
from spc.plan import Feature, Plan
from spc.run import Run
from spc.series import Series
from spc.shifts import ShiftSpan
from spc.wheel.advice import Advice
from spc.wheel.cycles import DressCycle, WearLine


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

    @property
    def name(self) -> str:
        """Name of the feature in the plan."""
        return self.feature.name


@dataclass(frozen=True)
class Act:
    """
    An event of the run, with what it did to the lead feature where that can be told.

    `effect_um` is the level of the parts measured after it minus the level before, each from at
    most three parts; `effect_se_um` its standard error. Both None when either side is missing.
    """

    kind: str
    after_part: int
    time: datetime | None
    amount_um: float | None
    minutes: float | None
    note: str
    effect_um: float | None
    effect_se_um: float | None


@dataclass(frozen=True)
class Prompt:
    """Advice as it stood after a part, kept where it was an act or had just changed."""

    part: int
    time: datetime | None
    advice: Advice


@dataclass(frozen=True)
class HeldSpan:
    """Parts to hold: first to last suspect, back to the last good check."""

    feature: str
    first: int
    last: int

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
    def outside(self) -> tuple[int, ...]:
        """Measured parts with a feature outside its limits, in order."""
        return tuple(sorted({part for f in self.features for part in f.outside}))

    @property
    def parts_since_dress(self) -> int | None:
        """Parts ground since the last dress; None while no dress is known."""
        last = self.cycles[-1] if self.cycles else None
        return None if last is None or not last.age_known else self.last_part - last.first_part + 1

    def feature(self, name: str) -> FeatureStudy:
        """The study of one feature; KeyError when the plan has none of that name."""
        for feature in self.features:
            if feature.name == name:
                return feature
        raise KeyError(name)
