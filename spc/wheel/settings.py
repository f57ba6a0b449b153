"""What the adviser is told about a job: plain numbers, named as in the plan."""

from dataclasses import dataclass, field

#: The one-sided 95 % guard in units of the expanded uncertainty: 1.65/2 (ISO 14253-1, from memory).
GUARD_PER_U = 0.825
#: Kinds that an offset moves.
SIZES = frozenset({"diameter", "bore"})


@dataclass(frozen=True)
class FeatureSettings:
    """
    One measured characteristic. All lengths are µm; sizes are deviations from nominal.

    A limit or target that does not exist is None. Exactly one diameter or bore may be
    the `lead`; without one the first diameter or bore leads.
    """

    name: str
    kind: str = "diameter"  # diameter | bore | taper | roundness | runout | roughness | length
    lower_um: float | None = None
    upper_um: float | None = None
    target_um: float | None = None
    lead: bool = False
    gauge_sd_um: float = 0.3
    gauge_step_um: float = 0.1
    uncertainty_um: float = 0.0  # U, k = 2
    sample: int | None = None  # at least every n-th part is measured

    @property
    def gauge_var(self) -> float:
        """Variance that the gauge brings to one reading, its steps included, as told. [µm²]"""
        return self.gauge_sd_um**2 + self.gauge_step_um**2 / 12

    @property
    def is_size(self) -> bool:
        """Whether an offset moves it."""
        return self.kind in SIZES

    @property
    def guarded_um(self) -> tuple[float | None, float | None]:
        """Lower and upper limit moved in by 0.825 U; None where there is none. [µm]"""
        guard = GUARD_PER_U * self.uncertainty_um
        lower = None if self.lower_um is None else self.lower_um + guard
        upper = None if self.upper_um is None else self.upper_um - guard
        return lower, upper

    def outside(self, value_um: float) -> bool:
        """Whether a value lies outside the guarded limits."""
        lower, upper = self.guarded_um
        return (lower is not None and value_um < lower) or (upper is not None and value_um > upper)


@dataclass(frozen=True)
class MachineSettings:
    """How the grinder takes offsets, dresses and warms up; keys of the plan's ``[machine]``."""

    offset_step_um: float = 1.0  # smallest move, on diameter
    max_offset_um: float = 20.0
    offset_entry: str = "diameter"  # diameter | radius
    offset_unit: str = "mm"  # mm | in | um, as typed on the control
    offset_sign: str = "+bigger"  # +bigger | +smaller
    dress_resets_size: bool | None = None  # None: learnt
    dress_clears_offsets: bool | None = None  # None: learnt
    in_process_gauge: bool = False
    swivel_radius_mm: float | None = None
    warm_up_minutes: float = 40.0


#: The limit of the process sheet over the habit, where the plan names one of them alone.
LIMIT_SHARE = 1.5


@dataclass(frozen=True)
class WheelSettings:
    """The wheel and the dressing habit; keys of the plan's ``[wheel]``."""

    parts_per_dress: int | None = None
    max_parts_per_dress: int | None = None  # else `LIMIT_SHARE` x the habit
    diameter_mm: float | None = None
    scrap_diameter_mm: float | None = None
    dress_depth_um: float | None = None  # radial, per dress
    rpm: float | None = None
    speed_limit_m_s: float | None = None
    price: float | None = None


@dataclass(frozen=True)
class CostSettings:
    """Complete costs in one currency; keys of the plan's ``[cost]``."""

    scrap: float = 15.0
    rework: float = 5.0
    dress: float = 2.5
    offset: float = 0.6
    measure: float = 0.4
    machine_minute: float = 1.0
    off_target: float | None = None  # loss on the limit farther from target; None: 3 % of scrap
    currency: str = "units"

    @property
    def off_target_loss(self) -> float:
        """Loss of a part on the limit farther from target."""
        return 0.03 * self.scrap if self.off_target is None else self.off_target


@dataclass(frozen=True)
class Settings:
    """
    Everything the adviser knows of a job before the first part.

    Field names are the plan's keys; limits and targets come as the plan's derived
    ``lower_um``, ``upper_um``, ``target_um``.

    Examples
    --------
    >>> seat = FeatureSettings("seat A", lower_um=2, upper_um=11, target_um=6.5)
    >>> Settings((seat,)).lead.name
    'seat A'
    """

    features: tuple[FeatureSettings, ...]
    machine: MachineSettings = field(default_factory=MachineSettings)
    wheel: WheelSettings = field(default_factory=WheelSettings)
    cost: CostSettings = field(default_factory=CostSettings)
    minutes_per_part: float = 1.0

    @property
    def lead(self) -> FeatureSettings | None:
        """The feature whose level steers offsets; None without a diameter or bore."""
        sizes = [feature for feature in self.features if feature.is_size]
        return next((f for f in sizes if f.lead), sizes[0] if sizes else None)

    @property
    def max_parts(self) -> int | None:
        """Parts after which a dress is due whatever the readings say; None: no such limit."""
        wheel = self.wheel
        if wheel.max_parts_per_dress is not None:
            return wheel.max_parts_per_dress
        habit = wheel.parts_per_dress
        return None if habit is None else round(LIMIT_SHARE * habit)

    @property
    def habit(self) -> float | None:
        """Parts per dress as the plan tells them, by its limit if by nothing else."""
        wheel = self.wheel
        if wheel.parts_per_dress is not None:
            return float(wheel.parts_per_dress)
        limit = wheel.max_parts_per_dress
        return None if limit is None else limit / LIMIT_SHARE
