"""How a grinding process behaves, as plain numbers, and the named ones to score policies on."""

import math
from dataclasses import dataclass, field, replace


@dataclass(frozen=True)
class Prices:
    """What things cost; 1 is about a minute of the machine."""

    scrap: float = 15.0
    rework: float = 5.0
    roughness: float = 4.0
    roundness: float = 10.0
    burn: float = 40.0
    measure: float = 0.4
    offset: float = 0.6
    dress: float = 2.5
    off_target: float = 0.5  # of a part on the limit, growing with the square
    look: float = 1.0  # stopping to check one thing, or to clear a hold
    minute: float = 1.0


@dataclass(frozen=True)
class Setting:
    """
    How one grinding process behaves; brackets hold the symbols of `process.Grinder`.

    All sizes are deviations from nominal on diameter at 20 °C. The defaults describe plunge
    grinding of a 40 mm shaft to IT6 with an aluminium oxide wheel; they are engineering
    judgement, not measurements of one machine. Fit them before trusting absolute figures.
    """

    tolerance_um: float = 8.0  # [tol] half width, symmetric
    bore: bool = False  # [s = -1] wear makes a bore smaller
    cycle_min: float = 1.0  # [ct]
    run_parts: int = 2000
    # Wear
    wear_um: float = 0.25  # [sbar] steady growth per part
    wear_between_cv: float = 0.15  # [cv_s] log-sd between dress cycles
    wear_within_cv: float = 0.5  # [cv_i] of one increment
    break_in_um: float = 1.5  # [W_b]
    break_in_parts: float = 4.0  # [n_b]
    # Dulling
    life_parts: float = 50.0  # [Nlife] median
    life_log_sd: float = 0.20  # [cv_N]
    onset: float = 0.8  # [f_a] share of life at which wear starts to quicken
    dull_power: float = 1.5  # [p_q]
    dull_growth_um: float = 1.5  # [D_q] deflection at dullness 1
    # Dressing
    dress_sd_um: float = 1.5  # [sig_d]
    dress_bias_um: float = -0.1  # [b_d]
    dress_resets_size: bool = True  # False: the wheel touches on, wear stays in the size
    dress_clears_offsets: bool = False
    # Heat
    warm_up_um: float = -5.0  # [A_th]
    warm_fast_min: float = 15.0  # [tau1]
    warm_slow_min: float = 60.0  # [tau2]
    warm_fast_share: float = 0.4  # [w1]
    cooling: float = 1.5  # [f_cool] cooling takes so much longer than warming
    wave_sd_um: float = 0.8  # [sig_A] slow wave of room and coolant
    wave_min: float = 90.0  # [tau_A]
    # Scatter
    walk_sd_um: float = 0.08  # [sig_rw]
    part_sd_um: float = 0.9  # [sig_p]
    start_sd_um: float = 2.0
    # Gauge
    gauge_sd_um: float = 0.3  # [sig_g]
    gauge_step_um: float = 0.2  # [res]
    slip_rate: float = 0.004  # [p_o]
    slip_sd_um: float = 8.0  # [sd_o]
    # Control
    offset_step_um: float = 1.0  # [step]
    offset_sd_um: float = 0.2  # [sig_u]
    # Roughness Ra
    ra_um: float = 0.32  # [Ra0]
    ra_break_in: float = 0.15  # [r_b]
    ra_dull: float = 0.5  # [r_q] below zero: the wheel glazes
    ra_cv: float = 0.06
    ra_limit_um: float = 0.50
    # Roundness
    roundness_um: float = 0.8  # [R0]
    roundness_dull: float = 1.5  # [rho_R]
    roundness_cv: float = 0.15
    roundness_limit_um: float = 2.5
    # Burn
    burn_dullness: float = 1.35  # [q_b]
    burn_width: float = 0.06  # [s_b]
    # The day: pauses (after so many parts of a shift, minutes), and short batches
    shift_parts: int = 400
    night_min: float = 600.0
    breaks: tuple[tuple[int, float], ...] = ((120, 15.0), (240, 30.0))
    batch_parts: int | None = None  # a new set-up after so many parts
    batch_sd_um: float = 6.0
    prices: Prices = field(default_factory=Prices)

    @property
    def sign(self) -> int:
        """+1 for an outside diameter, which wear makes bigger, and -1 for a bore."""
        return -1 if self.bore else 1


_S1 = Setting()
#: Named processes to score policies on.
PRESETS: dict[str, Setting] = {
    "S1": _S1,
    # A vitrified CBN wheel: little wear, long life, a dear dress.
    "S2": replace(
        _S1, wear_um=0.01, life_parts=600, break_in_parts=30, dress_sd_um=1.0,
        dull_growth_um=1.0, prices=Prices(dress=6.0), run_parts=3600,
    ),
    "S3": replace(_S1, tolerance_um=5.5, part_sd_um=0.8),
    "S4": replace(_S1, tolerance_um=12.5, part_sd_um=1.0),
    "S5": replace(_S1, gauge_sd_um=1.0, gauge_step_um=1.0),
    "S6": replace(_S1, warm_up_um=-12.0, wave_sd_um=1.5),
    "S7": replace(_S1, dress_sd_um=3.0),
    # A machine set by handwheel.
    "S8": replace(_S1, offset_step_um=2.5, offset_sd_um=0.8, prices=Prices(offset=1.0)),
    "S9": replace(
        _S1, bore=True, wear_um=0.5, life_parts=25, break_in_um=2.5, dress_sd_um=2.0
    ),
    # A wheel that glazes: Ra falls, deflection grows, burn comes early.
    "S10": replace(_S1, ra_dull=-0.3, dull_growth_um=3.0, burn_dullness=1.1),
    "S12": replace(_S1, batch_parts=60, start_sd_um=6.0),
    # Nothing drifts: after the first setting a good policy does almost nothing.
    "S13": replace(
        _S1, wear_um=0.0, break_in_um=0.0, dull_growth_um=0.0, warm_up_um=0.0, wave_sd_um=0.0,
        walk_sd_um=0.0, ra_break_in=0.0, ra_dull=0.0, roundness_dull=0.0, burn_dullness=math.inf,
    ),
}  # fmt: skip
