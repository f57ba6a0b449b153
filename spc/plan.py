"""What the job asks for: part, features, limits, machine, wheel, gauge, costs, shifts."""

import hashlib
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
from spc.feature import SIZES, Feature, Kind, PlanTable, Unit
from spc.plan_faults import first_fault

__all__ = [
    "MORE_CHARTS",
    "SIZES",
    "Feature",
    "KeptLimits",
    "Kind",
    "Machine",
    "Plan",
    "load_plan",
    "read_plan",
]


class Job(PlanTable):
    """Which part, on which machine."""

    part: str = Field(min_length=1, description="Name of the part.")
    drawing: str = Field("", description="Drawing and its revision.")
    operation: str = Field("", description="Operation on the process sheet.")
    machine: str = Field("", description="Name of the machine.")
    minutes_per_part: PositiveFloat = Field(1.0, description="Cycle time, loading included. [min]")
    parts: PositiveInt | None = Field(
        None, description="Parts of the batch; None: no end in sight."
    )


class Machine(PlanTable):
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

    @model_validator(mode="after")
    def _steps_fit(self) -> Self:
        if self.offset_step_um > self.max_offset_um:
            raise ValueError(
                f"max_offset_um = {self.max_offset_um:g} is below "
                f"offset_step_um = {self.offset_step_um:g}: no move could ever be advised"
            )
        return self


class Wheel(PlanTable):
    """The grinding wheel and the dressing habit."""

    name: str = Field("", description="Marking of the wheel.")
    diameter_mm: PositiveFloat | None = Field(None, description="Diameter at the start. [mm]")
    scrap_diameter_mm: PositiveFloat | None = Field(None, description="Smallest to use. [mm]")
    speed_limit_m_s: PositiveFloat | None = Field(None, description="Marked operating speed. [m/s]")
    rpm: PositiveFloat | None = Field(None, description="Wheel spindle speed. [1/min]")
    dress_depth_um: PositiveFloat | None = Field(None, description="Radial, per dress. [µm]")
    parts_per_dress: PositiveInt | None = Field(None, description="The habit.")
    max_parts_per_dress: PositiveInt | None = Field(
        None, description="Hard limit of the process sheet; None: there is none."
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


class Cost(PlanTable):
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


class Reading(PlanTable):
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


class KeptLimits(PlanTable):
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


#: Points in a pattern or a group of a chart. Own choice.
MOST_POINTS = 1000


class Charts(PlanTable):
    """From which span limits come, and which patterns are watched for."""

    base: tuple[PositiveInt, PositiveInt] | None = Field(
        None, description="First and last part of the base span; else the first 40 measured."
    )
    limits: tuple[KeptLimits, ...] = Field((), description="Frozen limits; else from the base.")
    signals: tuple[str, ...] | None = Field(None, description="Patterns; None: the default pair.")
    one_side: int = Field(9, ge=2, le=MOST_POINTS, description="Length of a run on one side.")
    climb: int = Field(6, ge=3, le=MOST_POINTS, description="Points in a steady climb or fall.")
    also: tuple[str, ...] = Field((), description=f"More charts: {', '.join(MORE_CHARTS)}.")
    group: int = Field(
        5, ge=2, le=MOST_POINTS, description="Consecutive parts per point of a group chart."
    )

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


class Shifts(PlanTable):
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


class Plan(PlanTable):
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
    except RecursionError:
        raise PlanError(f"{source}: arrays or tables are nested too deep for a plan") from None
    except ValueError:
        # Python reads no whole number of more than 4300 digits.
        raise PlanError(f"{source}: a number has too many digits for a plan") from None
    for key in ("source", "sha256", "features"):
        if key in table:
            raise PlanError(f"{source}: {key}: unknown key")
    try:
        return Plan(**table, source=source, sha256=hashlib.sha256(content).hexdigest())
    except ValidationError as error:
        raise PlanError(f"{source}: {first_fault(error, table, _SECTIONS)}") from None
    except SpcError as error:
        raise PlanError(f"{source}: {error}") from None
