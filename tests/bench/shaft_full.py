"""
What full knowledge of a shaft would cost: true levels, this wheel's own curve, no readings.

One value per register, by backward induction over blocks of parts that grow with the way ahead;
the loss is that of all seats it moves, each as far apart from the others as it is now (and drifting
as it will). The dress is decided on the sum: a register counts the others where they stand best.
What the sum leaves out is that a part with seats of two registers out is charged once.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from tests.bench.machine import Floats
from tests.bench.shaft_machine import ShaftMachine, ShaftNoise
from tests.bench.shafts import Shaft

#: Farthest look ahead from a fresh wheel. [lives, parts]; the nearest. [parts]
_LIVES, _PARTS, _LEAST = 2.2, 900, 60
#: A block is at most this share of the way ahead.
_BLOCK_SHARE = 0.06
#: Levels thought of: half widths of the widest seat to each side; cells in one of the narrowest.
_REACH, _CELLS = 1.6, 35
#: Solved anew after so many parts, all of them blocks of one part.
_REFRESH = 10
#: The rate and a fresh wheel are looked at anew after so many parts: seats walk apart slowly.
_RATE_ANEW = 40
#: Newton steps to the rate at the start, and when it is solved anew.
_FIRST_STEPS, _STEPS, _NUDGE = 8, 2, 1e-3
#: A machine colder than this looks at a fresh wheel that is cold as well.
_COLD = 0.02
_NODES, _SHARES = (-np.sqrt(3.0), 0.0, np.sqrt(3.0)), (1 / 6, 2 / 3, 1 / 6)


def _blocks(parts: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Parts before each block, and parts of it."""
    starts, lengths = [0], [1]
    while (ahead := starts[-1] + lengths[-1]) < parts:
        starts.append(ahead)
        lengths.append(min(max(int(_BLOCK_SHARE * ahead), 1), parts - ahead))
    return np.array(starts), np.array(lengths)


def cost_of_full_knowledge(shaft: Shaft, seeds: list[int], parts: int) -> Floats:
    """
    Expected cost a part on each seed.

    Parameters
    ----------
    shaft : Shaft
        The process.
    seeds : list of int
        Runs.
    parts : int
        Length of each.
    """
    return np.array([_Knowing(shaft, seed, parts).play() for seed in seeds])


class Ahead:
    """
    Losses of the coming parts at every level of each register.

    Parameters
    ----------
    machine : ShaftMachine
        One lane, whose wheel it is about.
    age : int
        Of that wheel, parts.
    own : ndarray, shape (seats,)
        What each seat has apart from the others. [µm]
    drift : ndarray, shape (parts, seats)
        How much farther they will be apart by themselves. [µm]
    cold : float
        How cold the machine is.
    stand : ndarray, shape (registers,)
        Where the registers stand: whole moves away from there levels are exact. [µm]
    """

    def __init__(
        self,
        machine: ShaftMachine,
        age: int,
        own: Floats,
        drift: Floats,
        cold: float,
        stand: Floats,
    ) -> None:
        scene, shaft = machine.scene, machine.shaft
        life = float(machine.noise.life[0, machine.cycle[0]])
        starts, lengths = _blocks(int(min(max(_LIVES * life - age, _LEAST), _PARTS)))
        middle = starts + (lengths - 1) / 2
        worn, settled, grown, self.sd = machine.wheel(age + 1 + middle, machine.cycle)
        chill = scene.warm_up * machine._chill(cold * np.exp(-(1 + middle) / scene.warm_parts))
        path = (settled - chill)[:, None] + (worn + grown)[:, None] * machine.share + own
        path = path + drift[np.minimum(middle.astype(int), len(drift) - 1)]
        registers = shaft.registers
        self.lengths = lengths
        # A move is a whole number of cells, or a cell one of moves, so that it ends on a level.
        widest = machine.half.min() / _CELLS
        step = scene.offset_step
        self.move = int(max(np.ceil(step / widest), 1))  # cells
        self.cell = cell = step / self.move if self.move > 1 else step * (widest // step)
        self.stand = stand
        self.side = int(np.ceil(_REACH * machine.half.max() / cell))
        self.centre = np.empty((len(starts), registers), dtype=int)
        self.loss = np.empty((len(starts), registers, 2 * self.side + 1))
        for r in range(registers):
            seats = np.flatnonzero(machine.of == r)
            # The grid goes along with the path, by whole cells, so that nothing is interpolated.
            self.centre[:, r] = np.round(-(path[:, seats].mean(axis=1) + stand[r]) / cell)
            level = self.levels(slice(None), r)[:, :, None] + path[:, None, seats]
            sd = np.broadcast_to(self.sd[:, None], level.shape[:2])
            self.loss[:, r] = machine.loss(level, sd, seats)
        spread = scene.walk_sd**2 + scene.step_rate * scene.step_sd**2
        wander = np.sqrt(spread * lengths)[:, None] / cell + np.zeros(registers)
        hop = np.maximum(np.ceil(wander), 1).astype(int)  # cells
        self.hops = (wander / hop)[:, :, None] ** 2  # probability
        # Of the grid one block on, where this one's levels are without a hop, and after one.
        on = self.centre - np.vstack([self.centre[1:], self.centre[-1:]])
        cells = np.arange(2 * self.side + 1) + on[:, :, None]
        hops = np.stack([0 * hop, hop, -hop])[..., None]
        self.after = np.clip(cells + hops, 0, 2 * self.side)

    def levels(self, block: int | slice, register: int) -> Floats:
        """Where a register may stand before a block. [µm]"""
        cells = np.arange(-self.side, self.side + 1)
        return self.stand[register] + self.cell * (self.centre[block, register, None] + cells)


class Acts:
    """
    Cost to go of every register at every level, above a rate.

    Parameters
    ----------
    ahead : Ahead
        Of the wheel.
    shaft : Shaft
        Prices and steps.
    rate : float
        Cost a part in the long run.
    dress : float
        Cost to go of a dress: its price, and what it costs to be set again.

    Attributes
    ----------
    keep : ndarray, shape (blocks, registers, levels)
        Grinding on.
    undressed : ndarray, shape (registers, levels)
        The best act before the first part that is no dress.
    moved : ndarray, shape (registers, levels)
        An offset before the first part.
    """

    def __init__(self, ahead: Ahead, shaft: Shaft, rate: float, dress: float) -> None:
        scene = shaft.scene
        self.ahead, self.shaft = ahead, shaft
        self.keep = np.empty_like(ahead.loss)
        registers, count = ahead.loss.shape[1:]
        after = np.full((registers, count), dress / registers)
        rows = np.arange(registers)[:, None]
        for b in range(len(ahead.lengths) - 1, -1, -1):
            stay, up, down = after[rows, ahead.after[:, b]]
            hops = ahead.hops[b]
            ground = ahead.lengths[b] * (ahead.loss[b] - rate / registers)
            keep = ground + (1 - hops) * stay + hops / 2 * (up + down)
            self.moved = scene.offset + _best_move(keep, ahead.move)
            least = keep.min(axis=1)
            # All a register may cost before a dress is cheaper, where the others stand best; past
            # the age at which the wheel is dressed however they stand, all bear it alike.
            spare = dress - least.sum()
            dressed = least + (spare if spare > 0 else spare / registers)
            self.undressed = np.minimum(keep, self.moved)
            after = np.minimum(self.undressed, dressed[:, None])
            self.keep[b] = keep

    def cost(self, table: Floats, block: int, stand: Floats) -> Floats:
        """A table of a block at where each register stands, shape (registers,). [currency]"""
        return np.array([
            np.interp(x, self.ahead.levels(block, r), table[r]) for r, x in enumerate(stand)
        ])  # fmt: skip

    def fresh(self, stand: Floats | None = None) -> float:
        """
        Worth of this wheel as a fresh one, over the scatter of a dress.

        `stand` is where the registers are left; None: where cycles usually begin, set best where
        the control takes the moves of a cycle back, else far away.
        """
        scene = self.shaft.scene
        if stand is None and not scene.clears:
            return float(self.moved.mean(axis=1).sum())
        if stand is None:
            best = self.keep[0].argmin(axis=1)
            stand = np.array([self.ahead.levels(0, r)[k] for r, k in enumerate(best)])
        return float(sum(
            share * self.cost(self.undressed, 0, stand + node * scene.dress_sd).sum()
            for node, share in zip(_NODES, _SHARES, strict=True)
        ))  # fmt: skip

    def offsets(self, block: int, stand: Floats) -> tuple[Floats, Floats]:
        """Cost to go and best move of each register; no move where it stands well."""
        step, costs = self.shaft.scene.offset_step, self.cost(self.keep[block], block, stand)
        moves = np.zeros(len(stand))
        for r, x in enumerate(stand):
            levels = self.ahead.levels(block, r)
            counts = np.arange(np.ceil((levels[0] - x) / step), (levels[-1] - x) / step)
            if len(counts):
                ways = np.interp(x + step * counts, levels, self.keep[block, r])
                k = int(ways.argmin())
                if ways[k] + self.shaft.scene.offset < costs[r]:
                    costs[r], moves[r] = ways[k] + self.shaft.scene.offset, step * counts[k]
        return costs, moves


def _best_move(keep: Floats, move: int) -> Floats:
    """Least of every `move`-th level, at every level."""
    registers, count = keep.shape
    whole = -(-count // move)
    padded = np.full((registers, whole * move), np.inf)
    padded[:, :count] = keep
    return np.tile(padded.reshape(registers, whole, move).min(axis=1), whole)[:, :count]


class _Knowing:
    """One seed of a shaft, steered by who knows all but what is still to come."""

    def __init__(self, shaft: Shaft, seed: int, parts: int) -> None:
        self.shaft, self.parts = shaft, parts
        self.noise = ShaftNoise(shaft, [seed], parts)
        self.machine = ShaftMachine(self.noise, np.array([0]))
        even = replace(shaft.scene, life_log_sd=0.0, wear_log_sd=0.0)
        usual = ShaftNoise(replace(shaft, scene=even), [0], 1)
        self.usual = ShaftMachine(usual, np.array([0]))
        self.rated = -_RATE_ANEW
        self.rate, self.steps = shaft.scene.dress / _PARTS, _FIRST_STEPS

    def play(self) -> float:
        machine, here = self.machine, np.array([True])
        solved = -_REFRESH
        for k in range(self.parts):
            pause = float(self.noise.pause[0, k])
            if k - solved >= _REFRESH or pause:
                self._solve(pause)
                solved = k
            costs, moves = self.acts.offsets(k - solved, machine.stand[0])
            if machine.age[0] > 0 and self.dressed < costs.sum():
                machine.dress(here)
                self._solve(pause)
                solved = k
                _, moves = self.acts.offsets(0, machine.stand[0])
            if moves.any():
                machine.offset(moves[None], np.array([moves != 0]))
            machine.part()
        return float(machine.cost[0] / self.parts)

    def _solve(self, pause: float) -> None:
        """Values of this wheel and of a fresh one, seats apart as they are."""
        machine, scene = self.machine, self.shaft.scene
        cold = 1 - (1 - float(machine.cold[0])) * np.exp(-pause / (1.5 * scene.warm_parts))
        own, drift, left = machine.own[0], self._drift(), self._left()
        apart = own - self.noise.dress_own[0, machine.cycle[0]]
        if machine.made - self.rated >= _RATE_ANEW:
            self.warm = Ahead(self.usual, 0, apart, drift, 0.0, left)
            self._rate(self.warm)
            self.rated = machine.made
        fresh = self.warm if cold < _COLD else Ahead(self.usual, 0, apart, drift, cold, left)
        begun = Acts(fresh, self.shaft, self.rate, scene.dress)
        self.dressed = scene.dress + begun.fresh(left)
        this = Ahead(machine, int(machine.age[0]), own, drift, cold, machine.stand[0])
        self.acts = Acts(this, self.shaft, self.rate, self.dressed)

    def _rate(self, fresh: Ahead) -> None:
        """Cost a part with which a fresh wheel is worth nothing: Newton, from above but once."""
        for _ in range(self.steps):
            worth, more = (
                Acts(fresh, self.shaft, self.rate * (1 + change), self.shaft.scene.dress).fresh()
                for change in (0, _NUDGE)
            )
            self.rate -= worth * self.rate * _NUDGE / (more - worth)
        self.steps = _STEPS

    def _drift(self) -> Floats:
        """How much farther each seat will drift, part by part."""
        seats, made = self.shaft.seats, self.machine.made
        lag, far = (np.array([getattr(s, a) for s in seats]) for a in ("drift_parts", "drift"))
        coming = made + 1 + np.arange(_PARTS)[:, None]
        return (np.exp(-made / lag) - np.exp(-coming / lag)) * far

    def _left(self) -> Floats:
        """Where a dress now leaves the registers, but for its scatter. [µm]"""
        machine, scene = self.machine, self.shaft.scene
        taken = machine.since_setting[0] if scene.clears else 0.0
        walked = machine.walked[0] if scene.walk_stays else 0.0
        return self.noise.setup[0] + machine.register[0] - taken + walked
