"""
Shafts drawn from wide ranges: several diameters ground by one wheel, on one register or more.

What all diameters share (wheel, money, limits to begin with) is one `Scene`; each seat adds what is
its own. A shaft is of one kind, which is its chief trait and stands in its name; the other traits
come with it now and then. All ranges are own choice, as in `families`.
"""

from dataclasses import dataclass, replace

import numpy as np

from tests.bench.families import Law, Scene, draw

#: Chief traits, and the fewest seats that can show each.
KINDS = {
    "alike": 1,
    "one drifts": 2,
    "two walk apart": 2,
    "own registers": 2,
    "edge wears": 2,
    "sizes differ": 2,
    "one seldom read": 2,
    "warm-ups": 1,
    "odd seat": 1,
}
#: A trait beside the chief one comes with this probability.
BESIDE = 0.15
#: Most seats of a shaft drawn with any number of them.
MOST_SEATS = 4
#: A quiet shaft's limits are at least so many spreads away.
QUIET_HALF = 5.0


@dataclass(frozen=True)
class Seat:
    """One diameter of a shaft. Lengths are µm on diameter."""

    half_width: float
    register: int = 0
    share: float = 1.0  # of the wheel's wear
    drift: float = 0.0  # apart from the others, in the long run
    drift_parts: float = 1.0  # two thirds of it are reached after so many parts
    walk_sd: float = 0.0  # of its own, from part to part; no dress takes it out
    setup_sd: float = 0.0  # apart from the others at the start
    dress_sd: float = 0.0  # from dress to dress, apart from the others
    every: int = 1
    odd_rate: float = 0.0


@dataclass(frozen=True)
class Shaft:
    """A scene with several seats; those of one register move together."""

    scene: Scene
    kind: str
    seats: tuple[Seat, ...]
    together: float  # correlation of the noise of two seats of one part
    told: bool  # whether pauses are told

    @property
    def name(self) -> str:
        """Of the scene, with the kind."""
        return self.scene.name

    @property
    def registers(self) -> int:
        """How many there are."""
        return 1 + max(seat.register for seat in self.seats)


def draw_shaft(
    rng: np.random.Generator, name: str, seats: int | None = None, law: Law = "own"
) -> Shaft:
    """
    One shaft from the wide ranges.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the draw.
    name : str
        Of the scene; the kind is added.
    seats : int, optional
        How many; else one to four.
    law : "own" or "other"
        As for one diameter.
    """
    scene = draw(rng, name, law)
    count = seats or int(rng.integers(1, MOST_SEATS + 1))
    kinds = [kind for kind, least in KINDS.items() if count >= least]
    kind = str(rng.choice(kinds))
    beside = {k for k in kinds if rng.random() < BESIDE and k != "alike"}
    traits = {kind} if kind == "alike" else {kind} | beside
    scene = _with_heat(rng, scene, "warm-ups" in traits)
    return Shaft(
        scene=replace(scene, name=f"{scene.name} x{count} {kind}"),
        kind=kind,
        seats=_seats(rng, scene, count, traits),
        together=float(rng.uniform(0, 0.7)),
        told=bool(rng.random() < (0.5 if "warm-ups" in traits else 0.8)),
    )


def _with_heat(rng: np.random.Generator, scene: Scene, warms: bool) -> Scene:
    """A scene whose machine warms up after many a pause, if that is a trait of it."""
    far, often = scene.half_width * rng.uniform(0.25, 0.7), rng.uniform(60, 150)
    return replace(scene, warm_up=far, pause_every=often) if warms else scene


def _seats(
    rng: np.random.Generator, scene: Scene, count: int, traits: set[str]
) -> tuple[Seat, ...]:
    half, sd = scene.half_width, scene.part_sd
    other = "alike" not in traits
    apart, scatter = rng.uniform(0, (0.03, 0.12)[other], 2)
    wander = sd * np.exp(rng.uniform(*np.log(((1e-4, 1e-3), (1e-3, 0.01))[other])))
    plain_seat = Seat(
        half, setup_sd=half * apart, dress_sd=half * scatter, walk_sd=float(wander),
        every=scene.every, odd_rate=scene.odd_rate,
    )  # fmt: skip
    made = [plain_seat] * count

    def change(k: int, **values: float | int) -> None:
        made[k] = replace(made[k], **values)  # type: ignore[arg-type]

    some = rng.permutation(count)
    if "one drifts" in traits:
        drift = half * rng.uniform(0.3, 1.2) * rng.choice((-1, 1))
        change(some[0], drift=drift, drift_parts=float(np.exp(rng.uniform(*np.log((60, 1500))))))
    if "two walk apart" in traits:
        for k in some[:2]:
            change(k, walk_sd=sd * float(np.exp(rng.uniform(*np.log((0.02, 0.1))))))
    if "own registers" in traits:
        shared = count > 2 and rng.random() < 0.5  # one register fewer than seats
        for k in range(count):
            change(k, register=max(k - 1, 0) if shared else k)
    if "edge wears" in traits:
        for k in range(count):
            change(k, share=float(rng.uniform(0.7, 1.1)))
        change(rng.choice((0, count - 1)), share=float(rng.uniform(1.2, 1.8)))
    if "sizes differ" in traits:
        for k in range(count):
            change(k, half_width=half * float(rng.uniform(0.6, 1.6)))
    if "one seldom read" in traits:
        change(some[-1], every=scene.every * int(rng.integers(2, 9)))
    if "odd seat" in traits:
        change(some[-1], odd_rate=float(rng.uniform(0.01, 0.03)))
    return tuple(made)


def shafts(count: int, seed: int, seats: int | None = None, law: Law = "own") -> list[Shaft]:
    """
    A set of shafts, by the seeds of `families`.

    Examples
    --------
    >>> len(shafts(2, 11, seats=3)[1].seats)
    3
    """
    return [
        draw_shaft(
            np.random.default_rng((seed, law == "other", k, seats or 0)),
            f"{law} {seed}/{k}", seats, law,
        )
        for k in range(count)
    ]  # fmt: skip


def quiet(shaft: Shaft) -> Shaft:
    """The same shaft on a process that asks for no act: no wear, no heat, hardly any wander."""
    scene, sd = shaft.scene, shaft.scene.part_sd
    half = max(scene.half_width, QUIET_HALF * sd)
    calm = replace(
        scene, name=f"{scene.name} quiet", half_width=half, wear=0.0, growth=0.0, dulling=0.0,
        settling=0.0, setup_sd=0.03 * half, walk_sd=0.002 * sd, step_rate=0.0, warm_up=0.0,
    )  # fmt: skip
    seats = tuple(
        replace(
            seat, half_width=max(seat.half_width, QUIET_HALF * sd), drift=0.0, walk_sd=0.001 * sd,
            setup_sd=0.02 * half, odd_rate=min(seat.odd_rate, 0.003),
        )
        for seat in shaft.seats
    )  # fmt: skip
    return replace(shaft, scene=calm, kind="quiet", seats=seats)
