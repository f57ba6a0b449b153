"""Advice in plain sentences and as typed on the control."""

from spc.plan import Machine

#: One micrometre in each unit a control may take.
_PER_UM = {"mm": 1e-3, "in": 1e-3 / 25.4, "um": 1.0}

#: Acts as they stand in a sentence.
WAYS = {"grind_on": "grinding on", "offset": "an offset", "dress": "a dress"}

#: The parts deny the plan from this probability on. Judgement.
SURE = 0.95

#: What to look at before acting.
LOOK = {
    "offset": "that the last offset was entered as told, and that the gauge still reads its master",
    "dress": "diamond, coolant nozzle and the dressing settings",
    "measure_again": "part and gauge anvils for dirt, burr and heat",
    "check": "the gauge on its master, then the offset page for a move nobody wrote down",
    "hold": "every part since the last good check; tag them before anything is changed",
}


def as_typed(machine: Machine, offset_um: float) -> tuple[float, str]:
    """
    An offset as this control wants it: radius or diameter, unit and sign.

    Examples
    --------
    >>> as_typed(Machine(offset_entry="radius", offset_sign="+smaller"), -3.0)
    (0.0015, 'mm')
    """
    amount = offset_um * _PER_UM[machine.offset_unit]
    if machine.offset_entry == "radius":
        amount /= 2
    if machine.offset_sign == "+smaller":
        amount = -amount
    return round(amount, 9) + 0.0, machine.offset_unit


def um(value: float) -> str:
    """A length for a sentence, such as ``+3.2 µm``."""
    return f"{round(value, 1) + 0.0:+.1f} µm"


def stands(
    name: str, level_um: float, target_um: float, doubt_um: float, drift_um: float,
    spread_um: float,
) -> str:  # fmt: skip
    """Where the level of a feature stands and goes; lengths in µm."""
    return (
        f"{name} stands at {um(level_um)} ± {2 * doubt_um:.1f}, target {target_um:.4g} µm; it "
        f"drifts {drift_um:+.2f} µm a part, parts scatter by {spread_um:.2f} µm"
    )


def surprise(name: str, read_um: float, foretold_um: float, sd_um: float) -> str:
    """A reading beside its forecast; lengths in µm."""
    return (
        f"{name} reads {um(read_um)}, {um(foretold_um)} ± {2 * sd_um:.1f} was expected: nothing "
        "should rest on one such reading"
    )


def apart(name: str, level_um: float) -> str:
    """That one offset cannot serve two sizes."""
    return (
        f"{name} stands at {um(level_um)}, and no one offset serves both: a register of its own, "
        "a dress or a swivel does"
    )


def form(name: str, level_um: float, limit_um: float, chance: float, age: int, since: str) -> str:
    """Where form or finish stands and how soon it fails."""
    return (
        f"{name} stands at {level_um:.2f} µm {age} parts after {since}, the limit is "
        f"{limit_um:.2f}; {100 * chance:.1f} % of the next parts are beyond it"
    )


def denied(key: str, told: bool | None, chance: float) -> str:
    """What the plan says of a dress, where the parts deny it; "" where they do not."""
    if told is None or (chance if told else 1 - chance) > 1 - SURE:
        return ""
    said, seen = ("true", "false") if told else ("false", "true")
    return f"the plan says {key} = {said}, but the parts after the dresses say {seen}"


def costs(act: str, other: str, difference: float, currency: str) -> str:
    """Why an act is told: what it saves against the next best one."""
    mine, theirs = WAYS.get(act, act.replace("_", " ")), WAYS.get(other, other.replace("_", " "))
    return f"{mine} is {difference:.2f} {currency} cheaper than {theirs}, counted to the next dress"
