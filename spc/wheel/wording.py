"""Advice in plain sentences and as typed on the control."""

from collections.abc import Sequence

from spc.wheel.settings import MachineSettings

#: One micrometre in each unit a control may take.
_PER_UM = {"mm": 1e-3, "in": 1e-3 / 25.4, "um": 1.0}

LOOK = {
    "offset": "that the last offset was entered as told, and that the gauge still reads its master",
    "dress": "diamond, coolant nozzle and the dressing settings",
    "measure_again": "part and gauge anvils for dirt, burr and heat",
    "gauge": "the gauge on its master, then the offset page for a move nobody wrote down",
    "hold": "every part since the last good check; tag them before anything is changed",
    "let_it_warm": "that coolant and spindle run as in production",
    "grind_on": "",
}

#: Why a move leads away from target.
SAFE_SIDE = "; moved to the side where an error costs less"
#: A drift that is known to within this is none worth a word. [µm per part]
SMALL_DRIFT = 0.02

#: What was changed when no part was read since.
UNREAD = {
    "wheel": "the wheel is new",
    "batch": "the batch is new",
    "swivel": "the table was swivelled",
}


def as_typed(machine: MachineSettings, offset_um: float) -> tuple[float, str]:
    """
    An offset as this control wants it: radius or diameter, unit and sign.

    Examples
    --------
    >>> as_typed(MachineSettings(offset_entry="radius", offset_sign="+smaller"), -3.0)
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


def side(place: float) -> str:
    """Which side of target."""
    return "above" if place > 0 else "below"


def glazed_words(name: str, since: str, habit: int, *, early: bool) -> str:
    """Why a wheel that gets finer is dressed at the plan's habit, or before it."""
    kept = (
        f"and it is as fine already as it usually was after {habit} parts"
        if early
        else f"so it is not ground beyond the plan's {habit} parts per dress"
    )
    return (
        f"{name} gets finer as the wheel works, {since}: a sign of a glazing wheel, whose burn no "
        f"size shows, {kept}"
    )


def form_words(name: str, last: float, limit: float, chance: float, since: str) -> str:
    """Why form or finish calls for a dress. Values in µm."""
    return (
        f"{name} last read {last:.2f} µm against a limit of {limit:.2f} µm, and the parts soon to "
        f"come are beyond it with a chance of {100 * chance:.0f} %, {since}"
    )


def dear_words(coming: float, average: float, currency: str) -> str:
    """That a form or finish, seldom out as it is, costs more than a fresh wheel would."""
    return (
        f"; that makes most of what each of them costs, {coming:.3f} {currency}, where a part of a "
        f"whole cycle costs {average:.3f} {currency} on average"
    )


def stale_words(name: str, last: float, limit: float, ago: int) -> str:
    """What else to read with the next part, since it may be near its limit. Values in µm."""
    return (
        f"; read {name} with it, which was {last:.2f} µm {ago} parts ago against a limit of "
        f"{limit:.2f} µm"
    )


def as_usual(habit: int | None) -> str:
    """Where a limit comes from that no plan names."""
    if habit is None:
        return "half as many again as wheels usually did"
    return f"half as many again as the plan's {habit} parts per dress"


def since_words(age: int, begun_by: str) -> str:
    """How long the wheel has worked, as far as anybody wrote down."""
    since = {"dress": "the dress", "wheel": "the new wheel"}.get(begun_by)
    if since is None:
        return f"{age} parts since the start, when the wheel's age was not known"
    return f"{age} parts since {since}"


def drift_words(slope: float, sd: float) -> str:
    """Wear per part as far as it is known."""
    if abs(slope) <= sd and sd < SMALL_DRIFT:
        return f"no drift seen, give or take {sd:.3f} µm per part"
    if abs(slope) <= sd:
        return f"drift not known yet, give or take {sd:.3f} µm per part"
    return f"drift {slope:+.3f} µm per part"


def dress_words(since: str, coming: float, average: float, currency: str, began: int) -> str:
    """Why a dress is due for cost; `began` is the part at which it became so, 0 for just now."""
    due = f", a dress due since part {began}" if began else ""
    less = "hardly less than " if coming < average else ""
    return (
        f"{since}{due}; held on size, each of the next costs {coming:.3f} {currency}, "
        f"{less}a part of a whole cycle {average:.3f} {currency} on average"
    )


def doubted_words(name: str, why: str, values: Sequence[float], gap: Sequence[float]) -> str:
    """Why a part is read again; `gap`: from forecast to first reading, and its deviation. [µm]"""
    value = values[-1]
    if why == "surprise":
        off, sd = gap
        return (
            f"{name} reads {value:+.1f} µm, {abs(off):.1f} µm from what was expected "
            f"({abs(off) / sd:.1f} standard deviations)"
        )
    if why == "unlike":
        readings = ", ".join(f"{v:+.1f}" for v in values)
        return f"the readings of {name} on this part do not agree: {readings} µm"
    return f"{name} reads {value:+.1f} µm, outside its guarded limits"


def check_words(subject: str, name: str, gap: float) -> str:
    """What is to be explained: a size that jumped, after a move or without one."""
    what = (
        "was the last offset entered as told"
        if subject == "entry"
        else "nothing logged explains it"
    )
    return f"{name} jumped by {gap:+.1f} µm, confirmed; {what}"


def denied_words(said: bool) -> str:
    """What the plan says of a dress (`dress_clears_offsets`) and the sizes deny."""
    does = "takes offsets back" if said else "leaves offsets in force"
    return (
        f"the plan says that a dress {does} (dress_clears_offsets = {str(said).lower()}), the "
        "sizes after the dresses say that it does not; look at the control's offset page "
        "before and after the next dress"
    )


def limit_words(name: str, outward: float, sd: float, limit: float, *, read: bool) -> str:
    """Where the level stands when one guarded limit is all there is."""
    gap = outward - limit
    where = f"{abs(gap):.1f} µm {side(gap)} its guarded limit"
    return f"{name} {_sits(read)} {where}, give or take {sd:.1f} µm"


def level_words(name: str, outward: float, sd: float, target: float, *, read: bool) -> str:
    """Where the level stands; `read`: a part was read since anything moved it."""
    return f"{name} {_sits(read)} {_from_target(outward - target)}, give or take {sd:.1f} µm"


def after_words(name: str, outward: float, sd: float, target: float) -> str:
    """Where the level is expected after a dress, beside the move that goes with it."""
    where = _from_target(outward - target)
    return f"; then {name} should sit {where}, give or take {sd:.1f} µm"


def _sits(read: bool) -> str:
    return "sits" if read else "should sit"


def _from_target(gap: float) -> str:
    return "on target" if abs(gap) < 0.05 else f"{abs(gap):.1f} µm {side(gap)} target"


def money(value: float) -> str:
    """A cost with the digits that matter."""
    return f"{value:.2f}" if abs(value) >= 0.1 else f"{value:.3f}"
