"""
The rule of thumb for a shaft: the worst seats decide where a register has to stand.

Every seat has its moving average; one that is read more seldom goes along with the others. Each
register aims at the middle of the room that its seats leave between their limits; it is moved when
it stands farther from there than a band, or when a chart of that distance signals. One interval of
dressing. Tuned to each scene by expected cost, on seeds that nothing is judged on.
"""

import numpy as np

from tests.bench.machine import Floats
from tests.bench.rules_of_thumb import (
    DIFFER,
    FIRST_OFF,
    ONE_SIDE,
    RECHECK,
    TUNING_SEEDS,
    Rules,
    all_rules,
)
from tests.bench.shaft_machine import ShaftMachine, ShaftNoise
from tests.bench.shafts import Shaft

#: Spread of the middle between the smallest and the largest of so many normal numbers (Tippett
#: 1925, from memory: 1, 1/sqrt 2, and by integration).
_MIDRANGE_SD = (1.0, 0.7071, 0.6017, 0.5463)


def play(rules: Rules, noise: ShaftNoise, rows: np.ndarray) -> ShaftMachine:
    """Rules on lanes of a shaft, one rule to a lane; the machine at the end of the run."""
    shaft = noise.shaft
    machine = ShaftMachine(noise, rows)
    lanes, of, half = machine.lanes, machine.of, machine.half
    members = [np.flatnonzero(of == r) for r in range(shaft.registers)]
    band = _bands(rules, shaft, members)
    chart = np.isnan(rules.band)[:, None]
    every = np.array([seat.every for seat in shaft.seats])
    average, last = np.zeros((2, lanes, len(half)))
    begun = np.zeros((lanes, len(half)), dtype=bool)
    side, before = np.zeros((2, lanes, len(members)))
    for k in range(noise.parts):
        machine.part()
        scheduled = np.broadcast_to(k % every == 0, begun.shape)
        read = scheduled | (machine.age <= FIRST_OFF)[:, None]
        if not read.any():
            _dress(machine, rules, average, begun, side)
            continue
        machine.pay_reading(read & ~scheduled)
        value = _believed(machine, read)
        weight = np.where(begun, rules.weight[:, None], 1.0)
        average = average + _change(weight * (value - average), read)
        last = last + _change(value - last, read)
        begun |= read
        looked = np.stack([read[:, m].any(axis=1) for m in members], axis=1)
        away, now = (_away(v, members, half) for v in (average, last))
        up = np.sign(now)
        side = np.where(looked, np.where(np.sign(side) == up, side + up, up), side)
        far = np.abs(now) > band
        signal = looked & np.where(chart, far | (np.abs(side) >= ONE_SIDE), np.abs(away) > band)
        first = (machine.age == 1)[:, None]
        move = np.where(chart, np.where(first | far, -now, -(now + before) / 2), -away)
        before = np.where(looked, now, before)
        if signal.any():
            typed = machine.offset(move, signal)
            average, last, before = average + typed[:, of], last + typed[:, of], before + typed
            side = np.where(signal, 0.0, side)
        _dress(machine, rules, average, begun, side)
    return machine


def _bands(rules: Rules, shaft: Shaft, members: list[np.ndarray]) -> Floats:
    """How far a register may stand from its place, shape (lanes, registers). [µm]"""
    scene, c = shaft.scene, shaft.together
    bands = []
    for m in members:
        own = _MIDRANGE_SD[len(m) - 1] ** 2
        spread = np.sqrt(scene.part_sd**2 * (c + (1 - c) * own) + scene.gauge_sd**2 * own)
        least = min(shaft.seats[k].half_width for k in m)
        bands.append(np.where(np.isnan(rules.band), 3 * spread, rules.band * least))
    return np.stack(bands, axis=1)


def _away(value: Floats, members: list[np.ndarray], half: Floats) -> Floats:
    """How far each register stands from the middle of the room its seats leave. [µm]"""
    below = [(value[:, m] + half[m]).min(axis=1) for m in members]  # room down to the lower limits
    above = [(half[m] - value[:, m]).min(axis=1) for m in members]
    return (np.stack(below, axis=1) - np.stack(above, axis=1)) / 2


def _change(seen: Floats, read: np.ndarray) -> Floats:
    """How far seats have moved; one that was not read is taken along with those that were."""
    mean = np.where(read, seen, 0.0).sum(axis=1) / np.maximum(read.sum(axis=1), 1)
    return np.where(read, seen, mean[:, None])


def _believed(machine: ShaftMachine, read: np.ndarray) -> Floats:
    """Readings, those far out taken again."""
    value = machine.measure()
    far = read & (np.abs(value) > RECHECK * machine.half)
    if not far.any():
        return value
    machine.pay_reading(far)
    second = machine.measure(again=1)
    agree = np.abs(second - value) < DIFFER * machine.scene.gauge_sd
    return np.where(far, np.where(agree, (value + second) / 2, second), value)


def _dress(
    machine: ShaftMachine, rules: Rules, average: Floats, begun: np.ndarray, side: Floats
) -> None:
    """Dress where the interval is over; what was averaged is forgotten."""
    due = machine.age >= rules.interval
    if not due.any():
        return
    moved = machine.since_setting.copy()
    machine.dress(due)
    if not machine.scene.clears:  # the moves against the wear are taken back by hand
        machine.offset(-moved, np.broadcast_to(due[:, None], moved.shape))
        machine.since_setting[due] = 0.0
    begun[due] = False
    average[due] = 0.0
    side[due] = 0.0


def tuned(shaft: Shaft, parts: int) -> tuple[Rules, str]:
    """The rule that is cheapest on seeds of its own, and its name."""
    rules = all_rules()
    count, seeds = len(rules.interval), len(TUNING_SEEDS)
    noise = ShaftNoise(shaft, list(TUNING_SEEDS), parts)
    machine = play(rules.repeated(seeds), noise, np.tile(np.arange(seeds), count))
    best = int(np.argmin(machine.cost.reshape(count, seeds).mean(axis=1)))
    return rules.only(best), rules.name(best)


def cost_of_tuned(shaft: Shaft, seeds: list[int], parts: int) -> tuple[Floats, str]:
    """Cost a part of the tuned rule on each seed, and its name."""
    rule, name = tuned(shaft, parts)
    noise = ShaftNoise(shaft, seeds, parts)
    machine = play(rule.repeated(len(seeds)), noise, np.arange(len(seeds)))
    return machine.cost / parts, name
