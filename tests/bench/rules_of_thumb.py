"""The rules a shop goes by, tuned to each scene: the anchor every adviser is held against."""

from dataclasses import dataclass

import numpy as np

from tests.bench.families import Scene
from tests.bench.machine import Floats, Machine, Noise

#: Dress after so many parts; the last never comes.
INTERVALS = (30, 45, 70, 100, 150, 220, 330, 500, 750, 1100, 1700, 10**9)
WEIGHTS = (0.25, 0.5, 1.0)
BANDS = (0.15, 0.3, 0.45, 0.6)  # half widths
#: Instead of a band: three standard deviations, or so many readings on one side.
ONE_SIDE = 9
#: A reading farther out than this is taken again. [half widths]
RECHECK = 0.8
#: Two readings of a part that differ by more gauge spreads than this: the second one counts.
DIFFER = 4.5
#: Parts read after a dress whatever the schedule says.
FIRST_OFF = 2
TUNING_SEEDS = tuple(range(9001, 9007))


@dataclass(frozen=True)
class Rules:
    """Settings of many rules, one to a lane: interval, weight of the average, band or chart."""

    interval: Floats
    weight: Floats
    band: Floats  # half widths; NaN: a control chart

    def repeated(self, times: int) -> "Rules":
        """Each rule so many times in a row."""
        return Rules(*(np.repeat(a, times) for a in (self.interval, self.weight, self.band)))

    def only(self, k: int) -> "Rules":
        """One of them."""
        return Rules(self.interval[k : k + 1], self.weight[k : k + 1], self.band[k : k + 1])

    def name(self, k: int) -> str:
        """One of them in words."""
        how = "chart" if np.isnan(self.band[k]) else f"w {self.weight[k]:g} band {self.band[k]:g}"
        every = "never" if self.interval[k] > 10**6 else f"{self.interval[k]:.0f}"
        return f"{how}, dress {every}"


def all_rules() -> Rules:
    """Every rule a scene may be tuned to."""
    made = [(i, w, b) for i in INTERVALS for w in WEIGHTS for b in BANDS]
    made += [(i, 0.5, np.nan) for i in INTERVALS]
    return Rules(*np.array(made, dtype=float).T)


def play(rules: Rules, noise: Noise, rows: np.ndarray) -> Machine:
    """Rules on lanes of a scene, one rule to a lane; the machine at the end of the run."""
    scene = noise.scene
    machine = Machine(noise, rows)
    lanes = machine.lanes
    half = scene.half_width
    chart = np.isnan(rules.band)
    band = np.where(chart, 3 * np.hypot(scene.part_sd, scene.gauge_sd), rules.band * half)
    average, side = np.zeros((2, lanes))
    begun = np.zeros(lanes, dtype=bool)
    last = np.zeros(lanes)
    for k in range(noise.parts):
        machine.part()
        scheduled = k % scene.every == 0
        fresh = machine.age <= FIRST_OFF
        read = fresh | scheduled
        if read.any():
            machine.pay_reading(read & ~scheduled if not scheduled else np.zeros(lanes, dtype=bool))
            value = machine.measure()
            far = read & (np.abs(value) > RECHECK * half)
            if far.any():
                machine.pay_reading(far)
                second = machine.measure(again=True)
                agree = np.abs(second - value) < DIFFER * scene.gauge_sd
                value = np.where(far, np.where(agree, (value + second) / 2, second), value)
            weight = np.where(begun, rules.weight, 1.0)
            average = np.where(read, average + weight * (value - average), average)
            begun |= read
            up = np.sign(value)
            side = np.where(read, np.where(np.sign(side) == up, side + up, up), side)
            signal = np.where(
                chart, (np.abs(value) > band) | (np.abs(side) >= ONE_SIDE), np.abs(average) > band
            )
            signal &= read
            move = np.where(chart, -(value + last) / 2, -average)
            # The first part after a dress or at the start is corrected by itself.
            move = np.where(chart & ((machine.age == 1) | (np.abs(value) > band)), -value, move)
            last = np.where(read, value, last)
            if signal.any():
                typed = machine.offset(move, signal)
                average = average + typed
                last = last + typed
                side = np.where(signal, 0.0, side)
        due = machine.age >= rules.interval
        if due.any():
            moved = machine.since_setting.copy()
            machine.dress(due)
            if not scene.clears:  # the moves against the wear are taken back by hand
                machine.offset(-moved, due)
                machine.since_setting = np.where(due, 0.0, machine.since_setting)
            begun &= ~due
            average = np.where(due, 0.0, average)
            side = np.where(due, 0.0, side)
    return machine


def tuned(scene: Scene, parts: int) -> tuple[Rules, str]:
    """The rule that is cheapest on seeds of its own, and its name."""
    rules = all_rules()
    count, seeds = len(rules.interval), len(TUNING_SEEDS)
    noise = Noise(scene, list(TUNING_SEEDS), parts)
    rows = np.tile(np.arange(seeds), count)
    machine = play(rules.repeated(seeds), noise, rows)
    mean = machine.cost.reshape(count, seeds).mean(axis=1)
    best = int(np.argmin(mean))
    return rules.only(best), rules.name(best)


def cost_of_tuned(scene: Scene, seeds: list[int], parts: int) -> tuple[Floats, str]:
    """Cost a part of the tuned rule on each seed, and its name."""
    rule, name = tuned(scene, parts)
    noise = Noise(scene, seeds, parts)
    machine = play(rule.repeated(len(seeds)), noise, np.arange(len(seeds)))
    return machine.cost / parts, name
