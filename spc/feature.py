"""What is measured on the part, and between which limits."""

import math
from collections.abc import Iterator
from functools import cached_property
from typing import Any, Literal, Self, get_args

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    NonNegativeFloat,
    PositiveFloat,
    PositiveInt,
    ValidationInfo,
    ValidatorFunctionWrapHandler,
    field_validator,
    model_validator,
)

from spc.fits import limits_of_size, widest_um
from spc.units import UM_PER_UNIT

Unit = Literal["mm", "in", "um"]
Kind = Literal["diameter", "bore", "taper", "roundness", "runout", "roughness", "length"]
#: Kinds whose value cannot fall below zero.
ZERO_BOUNDED = frozenset({"roundness", "runout", "roughness"})
#: Kinds with a nominal size; the others are deviations in themselves.
SIZES = frozenset({"diameter", "bore", "length"})
#: The one-sided 95 % guard in units of the expanded uncertainty: 1.65/2 (ISO 14253-1, from memory).
GUARD_PER_U = 0.825

#: Limits further apart than this share of the size are asked about. Own choice.
WIDE_SHARE = 0.02
#: A bare number this near to the nominal, as a share of it, is written as a size. Own choice.
LIKE_A_SIZE = 0.05
#: No number of a plan is larger, whatever its unit: a billion micrometres are a kilometre, a
#: billion minutes 1900 years. Nor smaller, but for zero. Own choices.
LARGEST, SMALLEST = 1e9, 1e-12
# Longer whole numbers are told by their length. Own choice.
_MOST_DIGITS = 15
#: No part is larger. [µm] Own choice: 100 m.
LARGEST_PART_UM = 1e8
#: The tables of grades end here. [mm]
LARGEST_IN_TABLES = 500.0


class PlanTable(BaseModel):
    """
    A table of the plan file: its keys are known, and nothing changes it.

    Its numbers are finite, within a shop's reach, and never true or false.
    """

    model_config = ConfigDict(
        frozen=True, extra="forbid", ignored_types=(cached_property,), allow_inf_nan=False
    )

    @field_validator("*", mode="wrap")
    @classmethod
    def _within_reach(
        cls, value: Any, known: ValidatorFunctionWrapHandler, info: ValidationInfo
    ) -> Any:
        if not _takes_bool(cls, info.field_name or "") and any(_is(bool, value)):
            raise ValueError(f"{str(value).lower()} is no number")
        for number in (*_is(int, value), *_is(float, taken := known(value))):
            if not _reachable(number):
                raise ValueError(
                    f"{_short(number)} is beyond the reach of a shop; a number of the plan is 0,"
                    f" or between {SMALLEST:g} and {LARGEST:g}"
                )
        return taken


def _is(kind: type, value: Any) -> Iterator[Any]:
    """The values of one kind in a key, which may hold a list of them."""
    for each in value if isinstance(value, list | tuple) else (value,):
        if isinstance(each, kind):
            yield each


def _takes_bool(table: type[BaseModel], name: str) -> bool:
    annotation = table.model_fields[name].annotation
    return annotation is bool or bool in get_args(annotation)


def _reachable(number: float) -> bool:
    """Within reach; what is not finite is refused elsewhere, by its own words."""
    size = abs(number)
    return size == 0 or SMALLEST <= size <= LARGEST or size != size or size == math.inf


def _short(number: float) -> str:
    digits = len(str(abs(number))) if isinstance(number, int) else 0
    return f"a number of {digits} digits" if digits > _MOST_DIGITS else f"{number:g}"


class Feature(PlanTable):
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
    moved_by: str = Field(  # a class has a method `register` already
        "", alias="register", description="Offset register; features without one share one."
    )
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
        self._refuse_giants()
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
        if why := _too_wide(self):
            raise ValueError(f"{why}; {_meant(self)}")
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

    def _refuse_giants(self) -> None:
        lengths = {"nominal": self.nominal, "upper": self.upper, "lower": self.lower,
                   "target": None if self.target == "middle" else self.target}  # fmt: skip
        for key, length in lengths.items():
            if length is not None and abs(self._um(length)) > LARGEST_PART_UM:
                raise ValueError(
                    f"{key} = {length:g} {self.unit} is longer than {LARGEST_PART_UM / 1e6:g} m;"
                    " no shop grinds such a part"
                )

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

    @property
    def limits_um(self) -> tuple[float, float]:
        """Lower and upper limit; infinite where there is none. [µm]"""
        lower = -math.inf if self.lower_um is None else self.lower_um
        return lower, math.inf if self.upper_um is None else self.upper_um

    @cached_property
    def guarded_um(self) -> tuple[float, float]:
        """Lower and upper limit moved in by 0.825 U; infinite where there is none. [µm]"""
        guard = GUARD_PER_U * self.uncertainty_um
        lower, upper = self.limits_um
        return lower + guard, upper - guard

    @property
    def doubt(self) -> str:
        """One line that asks about limits wider than a ground size has; empty for others."""
        wide = _tolerance_um(self)
        if wide is None or self.nominal_mm is None:
            return ""
        usual = WIDE_SHARE * self.nominal_mm * 1000
        if self.nominal_mm <= LARGEST_IN_TABLES:
            # Two percent of a thin pin is no wide tolerance, and IT16 is one for every size.
            usual = max(usual, widest_um(self.nominal_mm, 12))
            usual = min(usual, widest_um(self.nominal_mm, 16))
        if wide <= usual:
            return ""
        return f"feature {self.name!r}: {_tolerance_words(self, wide)} is wide; {_meant(self)}"

    @property
    def zero_bounded(self) -> bool:
        """Whether the value cannot fall below zero."""
        return self.kind in ZERO_BOUNDED

    @property
    def is_size(self) -> bool:
        """Whether the feature has a nominal size that offsets move (a diameter or a bore)."""
        return self.kind in ("diameter", "bore")


def like_a_size(text: str, number: float, feature: Feature) -> bool:
    """
    Whether a number without a unit is a size, for typed readings and files alike.

    Parameters
    ----------
    text : str
        As written; with a sign it is a deviation.
    number : float
        What it says, in the unit of the feature.
    feature : Feature
        Has the nominal; its half or double are slips of a size, and no deviations either.

    Examples
    --------
    >>> seat = Feature(name="seat", nominal=25.0, upper=0.01, lower=-0.01)
    >>> [like_a_size(text, float(text), seat) for text in ("25.5", "12.5", "+25.5", "6.5")]
    [True, True, False, False]
    """
    if feature.nominal_mm is None or text.strip()[:1] in ("+", "-", "−"):
        return False
    ratio = number * float(UM_PER_UNIT[feature.unit]) / (1000 * feature.nominal_mm)
    return any(abs(ratio / slip - 1) < LIKE_A_SIZE for slip in (1.0, 0.5, 2.0))


def _tolerance_um(feature: Feature) -> float | None:
    """Width of the limits of a size, or how far they lie from nominal, whichever is more. [µm]"""
    if feature.kind not in SIZES or feature.nominal_mm is None or feature.fit is not None:
        return None
    limits = [um for um in (feature.lower_um, feature.upper_um) if um is not None]
    return max([*map(abs, limits), max(limits) - min(limits)], default=None)


def _too_wide(feature: Feature) -> str:
    """Why limits cannot be those of a ground size; empty when they can."""
    wide, nominal = _tolerance_um(feature), feature.nominal_mm
    if wide is None or nominal is None:
        return ""
    words = _tolerance_words(feature, wide)
    if nominal <= LARGEST_IN_TABLES and wide > widest_um(nominal, 18):
        coarsest = feature._shown(widest_um(nominal, 18))
        return f"{words} is wider than IT18, the coarsest grade of ISO 286 ({coarsest})"
    return f"{words} reaches half of the size" if wide >= nominal * 500 else ""


def _tolerance_words(feature: Feature, um: float) -> str:
    one_sided = feature.upper_um is None or feature.lower_um is None
    width = (feature.upper_um or 0) - (feature.lower_um or 0)
    wide = not one_sided and math.isclose(um, width)
    what = "a tolerance" if wide else "a limit at a deviation"
    return f"{what} of {feature._shown(um)} on {feature._shown(1000 * (feature.nominal_mm or 0))}"


def _meant(feature: Feature) -> str:
    said = f"limits are deviations in the feature's unit, {feature.unit} here"
    written = (("upper", feature.upper), ("lower", feature.lower))
    given = ", ".join(f"{key} = {value / 1000:g}" for key, value in written if value is not None)
    if feature.unit == "um":
        return f"{said}, and so is nominal"
    return f"{said}; did you mean {given}?"


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
