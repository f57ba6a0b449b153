"""What the job asks for: part, features, limits, machine, wheel, gauge, costs, shifts."""

import hashlib
import math
import tomllib
from datetime import time
from functools import cached_property
from pathlib import Path
from typing import Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    NonNegativeFloat,
    PositiveFloat,
    PositiveInt,
    ValidationError,
    field_validator,
    model_validator,
)

from spc.errors import PlanError, SpcError
from spc.fits import limits_of_size
from spc.plan_faults import first_fault
from spc.units import UM_PER_UNIT

Unit = Literal["mm", "in", "um"]
Kind = Literal["diameter", "bore", "taper", "roundness", "runout", "roughness", "length"]
#: Kinds whose value cannot fall below zero.
ZERO_BOUNDED = frozenset({"roundness", "runout", "roughness"})
#: Kinds with a nominal size; the others are deviations in themselves.
SIZES = frozenset({"diameter", "bore", "length"})
#: The one-sided 95 % guard in units of the expanded uncertainty: 1.65/2 (ISO 14253-1, from memory).
GUARD_PER_U = 0.825


class _Table(BaseModel):
    model_config = ConfigDict(
        frozen=True, extra="forbid", ignored_types=(cached_property,), allow_inf_nan=False
    )


class Job(_Table):
    """Which part, on which machine."""

    part: str = Field(min_length=1, description="Name of the part.")
    drawing: str = Field("", description="Drawing and its revision.")
    operation: str = Field("", description="Operation on the process sheet.")
    machine: str = Field("", description="Name of the machine.")
    minutes_per_part: PositiveFloat = Field(1.0, description="Cycle time, loading included. [min]")


class Feature(_Table):
    """One measured characteristic. Limits are deviations from nominal in `unit`."""

    name: str = Field(min_length=1, description="Column headers map to it.")
    kind: Kind = Field("diameter", description="What is measured.")
    nominal: PositiveFloat | None = Field(None, description="Nominal size in the unit.")
    upper: float | None = Field(None, description="Upper limit, deviation in the unit.")
    lower: float | None = Field(None, description="Lower limit, deviation in the unit.")
    unit: Unit = Field("mm", description="Unit of nominal, limits and target.")
    fit: str | None = Field(None, description='ISO 286 instead of numbers, such as "25 k5".')
    station_mm: float | None = Field(None, description="Place along the axis, for taper. [mm]")
    target: Literal["middle"] | float = Field(
        "middle", description="Where the level should sit: middle of the limits or a deviation."
    )
    lead: bool = Field(False, description="Its level steers offsets.")
    between: tuple[str, str] | None = Field(
        None, description="Taper computed as first feature minus second."
    )
    gauge_sd_um: PositiveFloat = Field(0.3, description="Gauge spread to start from. [µm]")
    gauge_step_um: NonNegativeFloat = Field(0.1, description="Smallest gauge step. [µm]")
    uncertainty_um: NonNegativeFloat = Field(0.0, description="Expanded uncertainty, k = 2. [µm]")
    sample: PositiveInt | None = Field(None, description="At least every n-th part is measured.")
    expansion_per_kelvin: NonNegativeFloat | None = Field(
        None, description="Thermal expansion of the part, such as 11.5e-6 for steel. [1/K]"
    )

    @model_validator(mode="after")
    def _limits_agree(self) -> Self:
        if self.fit is not None:
            _check_fit(self)
        elif self.kind in SIZES and self.nominal is None:
            raise ValueError("nominal is missing; give the nominal size or a fit such as '25 k5'")
        if self.kind not in SIZES and self.nominal is not None:
            raise ValueError(f"nominal has no meaning for {self.kind}; leave it out")
        if self.between is not None and self.kind != "taper":
            raise ValueError("between is for kind = 'taper' only")
        upper, lower = self.upper_um, self.lower_um
        if self.kind in ZERO_BOUNDED and self.lower is not None:
            raise ValueError(f"lower has no meaning for {self.kind}, which cannot fall below zero")
        if self.kind in ZERO_BOUNDED and upper is not None and upper <= 0:
            raise ValueError(f"upper is {self.upper:g}; for {self.kind} it must be above zero")
        if upper is None and lower is None:
            raise ValueError("upper and lower are both missing; give at least one")
        if upper is not None and lower is not None and lower >= upper:
            raise ValueError(
                f"lower {self._shown(lower)} is not below upper {self._shown(upper)}; swap them?"
            )
        if self.fit is not None and ("H" in self.fit) != (self.kind == "bore"):
            right = "a hole H for a bore, a shaft letter for a diameter"
            raise ValueError(f"fit {self.fit!r} does not suit kind {self.kind!r}; give {right}")
        target = self.target_um
        if target is not None and (
            (upper is not None and target > upper) or (lower is not None and target < lower)
        ):
            raise ValueError(
                f"target {self._shown(target)} lies outside the limits; it is a deviation from "
                f"nominal in {self.unit}, as upper and lower are"
            )
        guard = GUARD_PER_U * self.uncertainty_um
        if self.kind in ZERO_BOUNDED and upper is not None and upper <= guard:
            raise ValueError(
                f"uncertainty_um = {self.uncertainty_um:g} leaves no room below upper, {upper:g} µm"
            )
        if upper is not None and lower is not None and upper - lower <= 2 * guard:
            raise ValueError(
                f"uncertainty_um = {self.uncertainty_um:g} leaves no room between the limits, "
                f"which are {upper - lower:g} µm apart"
            )
        return self

    def _shown(self, um: float) -> str:
        return f"{um / float(UM_PER_UNIT[self.unit]):g} {self.unit}"

    @cached_property
    def nominal_mm(self) -> float | None:
        """Nominal size; None for form, finish and taper. [mm]"""
        if self.fit is not None:
            return limits_of_size(self.fit).nominal_mm
        if self.nominal is None:
            return None
        return round(self.nominal * float(UM_PER_UNIT[self.unit]) / 1000, 9)

    @cached_property
    def upper_um(self) -> float | None:
        """Upper limit, deviation from nominal; None: no such limit. [µm]"""
        if self.fit is not None:
            return limits_of_size(self.fit).upper_um
        return None if self.upper is None else self._um(self.upper)

    @cached_property
    def lower_um(self) -> float | None:
        """Lower limit, deviation from nominal; None: no such limit. [µm]"""
        if self.fit is not None:
            return limits_of_size(self.fit).lower_um
        if self.lower is not None:
            return self._um(self.lower)
        if self.kind == "taper" and self.upper is not None:
            return -self._um(self.upper)
        return None

    def _um(self, value: float) -> float:
        return round(value * float(UM_PER_UNIT[self.unit]), 6)

    @cached_property
    def target_um(self) -> float | None:
        """Where the level should sit; None: one-sided without a target. [µm]"""
        if self.target != "middle":
            return self._um(self.target)
        if self.kind in ZERO_BOUNDED:
            return 0.0
        if self.upper_um is None or self.lower_um is None:
            return None
        return (self.upper_um + self.lower_um) / 2

    @cached_property
    def guarded_um(self) -> tuple[float, float]:
        """Lower and upper limit moved in by 0.825 U; infinite where there is none. [µm]"""
        guard = GUARD_PER_U * self.uncertainty_um
        lower = -math.inf if self.lower_um is None else self.lower_um + guard
        upper = math.inf if self.upper_um is None else self.upper_um - guard
        return lower, upper

    @property
    def zero_bounded(self) -> bool:
        """Whether the value cannot fall below zero."""
        return self.kind in ZERO_BOUNDED

    @property
    def is_size(self) -> bool:
        """Whether the feature has a nominal size that offsets move (a diameter or a bore)."""
        return self.kind in ("diameter", "bore")


def _check_fit(feature: Feature) -> None:
    fit = limits_of_size(str(feature.fit))
    if feature.kind not in SIZES:
        raise ValueError(f"fit has no meaning for {feature.kind}; give upper instead")
    scale = float(UM_PER_UNIT[feature.unit])
    for key, seen, right in (
        ("nominal", feature.nominal, fit.nominal_mm * 1000 / scale),
        ("upper", feature.upper, fit.upper_um / scale),
        ("lower", feature.lower, fit.lower_um / scale),
    ):
        if seen is not None and not math.isclose(seen, right, rel_tol=1e-9, abs_tol=1e-9):
            raise ValueError(
                f"{key} = {seen:g} does not agree with fit {feature.fit!r}, which gives "
                f"{right:g} {feature.unit}; leave one of them out"
            )


class Machine(_Table):
    """How the grinder takes offsets, dresses and warms up."""

    offset_step_um: PositiveFloat = Field(1.0, description="Smallest move, on diameter. [µm]")
    max_offset_um: PositiveFloat = Field(20.0, description="Largest single move to advise. [µm]")
    offset_entry: Literal["diameter", "radius"] = Field("diameter", description="As typed.")
    offset_unit: Unit = Field("mm", description="Unit as typed on the control.")
    offset_sign: Literal["+bigger", "+smaller"] = Field("+bigger", description="What plus does.")
    dress_resets_size: bool | None = Field(
        None, description="Wear leaves the size at a dress. None: learnt."
    )
    dress_clears_offsets: bool | None = Field(
        None, description="The control takes back the cycle's offsets at a dress. None: learnt."
    )
    in_process_gauge: bool = Field(False, description="Offsets act on a gauge in the machine.")
    swivel_radius_mm: PositiveFloat | None = Field(
        None, description="Table pivot to the indicator. [mm]"
    )
    warm_up_minutes: PositiveFloat = Field(40.0, description="To 63 % of the warm-up. [min]")


class Wheel(_Table):
    """The grinding wheel and the dressing habit."""

    name: str = Field("", description="Marking of the wheel.")
    diameter_mm: PositiveFloat | None = Field(None, description="Diameter at the start. [mm]")
    scrap_diameter_mm: PositiveFloat | None = Field(None, description="Smallest to use. [mm]")
    speed_limit_m_s: PositiveFloat | None = Field(None, description="Marked operating speed. [m/s]")
    rpm: PositiveFloat | None = Field(None, description="Wheel spindle speed. [1/min]")
    dress_depth_um: PositiveFloat | None = Field(None, description="Radial, per dress. [µm]")
    parts_per_dress: PositiveInt | None = Field(None, description="The habit.")
    max_parts_per_dress: PositiveInt | None = Field(
        None, description="Hard limit of the process sheet; else 1.5 x the habit."
    )
    price: NonNegativeFloat | None = Field(None, description="Of one wheel.")

    @model_validator(mode="after")
    def _sizes_agree(self) -> Self:
        if (
            self.diameter_mm is not None
            and self.scrap_diameter_mm is not None
            and self.scrap_diameter_mm >= self.diameter_mm
        ):
            raise ValueError(
                f"scrap_diameter_mm = {self.scrap_diameter_mm:g} is not below "
                f"diameter_mm = {self.diameter_mm:g}"
            )
        return self


class Cost(_Table):
    """Complete costs: time, wheel and checking included. Defaults suit minutes of machine time."""

    currency: str = Field("units", description="Name of the money.")
    scrap: NonNegativeFloat = Field(15.0, description="A part that cannot be saved.")
    rework: NonNegativeFloat = Field(5.0, description="A part to grind again; form, finish out.")
    dress: NonNegativeFloat = Field(2.5, description="One dress.")
    offset: NonNegativeFloat = Field(0.6, description="One offset.")
    measure: NonNegativeFloat = Field(0.4, description="One reading.")
    machine_minute: NonNegativeFloat = Field(1.0, description="A minute of the machine.")
    off_target: NonNegativeFloat | None = Field(
        None, description="Loss on the limit, growing with the square; else 3 % of scrap."
    )

    @property
    def off_target_loss(self) -> float:
        """Loss of a part on the limit farther from target. [currency]"""
        return 0.03 * self.scrap if self.off_target is None else self.off_target


class Reading(_Table):
    """How measurement files are read."""

    code_page: str = Field("cp1252", description="Encoding when a file is not UTF.")
    repeats: Literal["keep", "ask"] = Field("keep", description="A later row of the same serial.")
    numbering: Literal["auto", "serial", "rows"] = Field("auto", description="How parts count.")
    day_first: bool | None = Field(None, description="Only where the column cannot prove it.")
    decimal: Literal[".", ","] | None = Field(
        None, description="Decimal mark, only where the file cannot prove it."
    )
    date_system: Literal[1900, 1904] = Field(
        1900, description="Year from which a spreadsheet counts its days."
    )
    split_by: str | None = Field(None, description="Column that tells jobs or machines apart.")
    split_value: str | None = Field(None, description="What stands there for this job.")


class KeptLimits(_Table):
    """Limits frozen earlier, by whom, when and why; they hold from a part on."""

    feature: str = Field(description="Name of the feature.")
    from_part: PositiveInt = Field(1, description="First part they hold for.")
    sigma_um: PositiveFloat = Field(description="Spread of parts about the wear line. [µm]")
    drift_um: float | None = Field(None, description="Drift per part; None: this run's. [µm]")
    who: str = Field("", description="Role of whoever froze them.")
    when: str = Field("", description="The day.")
    why: str = Field("", description="The reason.")


#: Charts that a plan can ask for beside single parts and the wear line.
MORE_CHARTS = (
    "ewma", "cusum", "means_ranges", "means_deviations", "medians", "acceptance",
    "modified_limits", "from_nominal", "standardised", "self_starting", "between_within",
    "widened", "innovations",
)  # fmt: skip


class Charts(_Table):
    """From which span limits come, and which patterns are watched for."""

    base: tuple[PositiveInt, PositiveInt] | None = Field(
        None, description="First and last part of the base span; else the first 40 measured."
    )
    limits: tuple[KeptLimits, ...] = Field((), description="Frozen limits; else from the base.")
    signals: tuple[str, ...] | None = Field(None, description="Patterns; None: the default pair.")
    one_side: int = Field(9, ge=2, description="Length of a run on one side.")
    climb: int = Field(6, ge=3, description="Points in a steady climb or fall.")
    also: tuple[str, ...] = Field((), description=f"More charts: {', '.join(MORE_CHARTS)}.")
    group: int = Field(5, ge=2, description="Consecutive parts per point of a group chart.")

    @field_validator("also")
    @classmethod
    def _also_there(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        for name in names:
            if name not in MORE_CHARTS:
                raise ValueError(f"there is no chart {name!r}; there are: {', '.join(MORE_CHARTS)}")
        return tuple(dict.fromkeys(names))

    @model_validator(mode="after")
    def _base_in_order(self) -> Self:
        if self.base is not None and self.base[0] >= self.base[1]:
            raise ValueError(f"base = {list(self.base)} must give the first part, then the last")
        return self


class Shifts(_Table):
    """Named shifts as ``"HH:MM-HH:MM"``; one may pass midnight."""

    model_config = ConfigDict(frozen=True, extra="allow", ignored_types=(cached_property,))

    zone: str | None = Field(None, description="IANA time zone; else UTC, and the page says so.")

    @model_validator(mode="after")
    def _readable(self) -> Self:
        for name in self.model_extra or {}:
            self.span(name)
        try:
            ZoneInfo(self.zone or "UTC")
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise ValueError(
                f"zone = {self.zone!r} is not a time zone; write it such as 'Europe/Paris'"
            ) from None
        return self

    @property
    def names(self) -> tuple[str, ...]:
        """The shifts, in the order of the plan."""
        return tuple(self.model_extra or {})

    def span(self, name: str) -> tuple[time, time]:
        """
        Start and end of a shift in local time.

        Raises
        ------
        ValueError
            When the plan has no such shift or it is not written ``"HH:MM-HH:MM"``.
        """
        extra = self.model_extra or {}
        if name not in extra:
            known = ", ".join(extra) or "none"
            raise ValueError(f"the plan has no shift {name!r}; it has: {known}")
        try:
            start, end = (time.fromisoformat(part.strip()) for part in extra[name].split("-"))
        except (ValueError, AttributeError):
            raise ValueError(
                f'{name} = {extra[name]!r} is not a shift; write it such as "06:00-14:00"'
            ) from None
        if start == end:
            raise ValueError(f"{name} = {extra[name]!r} starts and ends at the same time")
        if start.tzinfo or end.tzinfo:
            raise ValueError(f"{name} = {extra[name]!r}: leave the zone to the key zone")
        return start, end


class Plan(_Table):
    """The plan of one job: what every room is told, and nothing else."""

    job: Job
    features: tuple[Feature, ...] = Field(alias="feature", min_length=1)
    machine: Machine = Machine()
    wheel: Wheel = Wheel()
    cost: Cost = Cost()
    shifts: Shifts = Shifts()
    columns: dict[str, str] = Field(default_factory=dict)
    reading: Reading = Reading()
    charts: Charts = Charts()
    source: str = Field("", exclude=True)
    sha256: str = Field("", exclude=True)

    @model_validator(mode="after")
    def _features_agree(self) -> Self:
        names = [feature.name for feature in self.features]
        folded = [name.casefold() for name in names]
        for name in names:
            if folded.count(name.casefold()) > 1:
                raise ValueError(
                    f"feature name {name!r} is used twice; every feature needs its own"
                )
        if sum(feature.lead for feature in self.features) > 1:
            raise ValueError("lead = true stands at several features; only one level can steer")
        for feature in self.features:
            for other in feature.between or ():
                if other not in names:
                    raise ValueError(
                        f"between of {feature.name!r} names {other!r}, which is no feature here; "
                        f"the features are: {', '.join(names)}"
                    )
            ends = [self.feature(name) for name in feature.between or ()]
            if ends and (ends[0] is ends[1] or not all(end.is_size for end in ends)):
                raise ValueError(
                    f"between of {feature.name!r} must name two different diameters or bores"
                )
            if feature.lead and not feature.is_size:
                raise ValueError(f"lead feature {feature.name!r} must be a diameter or a bore")
        for kept in self.charts.limits:
            if kept.feature not in names:
                raise ValueError(f"charts.limits names {kept.feature!r}, which is no feature here")
        return self

    @property
    def lead(self) -> Feature | None:
        """The feature whose level steers offsets; None when no diameter or bore is planned."""
        for feature in self.features:
            if feature.lead:
                return feature
        return next((f for f in self.features if f.is_size), None)

    @property
    def zone(self) -> ZoneInfo:
        """Local time of the shop; UTC when the plan says nothing."""
        return ZoneInfo(self.shifts.zone or "UTC")

    @property
    def measured_features(self) -> tuple[Feature, ...]:
        """Features that stand in files: all but tapers computed from two others."""
        return tuple(f for f in self.features if f.between is None)

    def feature(self, name: str) -> Feature:
        """
        The feature of that name.

        Raises
        ------
        PlanError
            When there is none; the message lists those there are.
        """
        for feature in self.features:
            if feature.name == name:
                return feature
        known = ", ".join(f.name for f in self.features)
        raise PlanError(f"the plan has no feature {name!r}; it has: {known}")


_SECTIONS: dict[str, type[BaseModel]] = {
    "job": Job, "feature": Feature, "machine": Machine, "wheel": Wheel, "cost": Cost,
    "shifts": Shifts, "columns": Plan, "reading": Reading, "charts": Charts,
}  # fmt: skip


def load_plan(path: str | Path) -> Plan:
    """
    The plan in a TOML file.

    Raises
    ------
    PlanError
        With the file, the key, what was seen and what would be right.
    """
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise PlanError(f"{path}: the plan cannot be opened ({error.strerror})") from None
    return read_plan(content, source=str(path))


def read_plan(content: bytes, *, source: str) -> Plan:
    """The plan in the bytes of a TOML file; `source` names it in errors."""
    try:
        table = tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError:
        raise PlanError(f"{source}: a plan is UTF-8 text; this file is not") from None
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{source}: this is not TOML: {error}") from None
    for key in ("source", "sha256", "features"):
        if key in table:
            raise PlanError(f"{source}: {key}: unknown key")
    try:
        return Plan(**table, source=source, sha256=hashlib.sha256(content).hexdigest())
    except ValidationError as error:
        raise PlanError(f"{source}: {first_fault(error, table, _SECTIONS)}") from None
    except SpcError as error:
        raise PlanError(f"{source}: {error}") from None
