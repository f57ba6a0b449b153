"""Who contends, told what a plan would tell them: ``python -m tests.bench.contend --scenes 12``."""

from spc.adviser.loss import Sizes, Stakes
from spc.adviser.prior import Prior
from spc.adviser.steer import Steer
from spc.advising import advisor_for
from tests.bench.families import Scene
from tests.bench.score import main
from tests.bench.shaft_contend import SEVERAL, SHAFT_MAKERS, name_of, plan_of
from tests.bench.shafts import Seat, Shaft


class OneDiameter:
    """The new adviser's heart, one diameter; wear is upward, a scene is a plan without a habit."""

    def __init__(self, scene: Scene, habit: float | None = None, parts: int | None = None) -> None:
        half = self.half = scene.half_width
        stakes = Stakes(
            low=scene.scrap, high=scene.rework, off_target=scene.off_target, offset=scene.offset,
            dress=scene.dress, measure=scene.measure, step=scene.offset_step / half,
            returns=not scene.clears,
        )  # fmt: skip
        gauge_var = (scene.gauge_sd**2 + scene.gauge_step**2 / 12) / half**2
        self.steer = Steer(
            Sizes.one(stakes, gauge_var),
            prior=Prior.told(habit),
            every=scene.every,
            clears=scene.clears,
            parts=parts,
        )

    def part(self) -> None:
        self.steer.part()

    def reading(self, um: float) -> None:
        self.steer.reading(0, um / self.half)

    def pause(self, minutes: float) -> None:
        self.steer.pause(minutes)  # a part takes a minute

    def dressed(self) -> None:
        self.steer.dress()

    def moved(self, um: float) -> None:
        self.steer.offset(0, um / self.half)

    def act(self) -> tuple[str, float, bool]:
        act = self.steer.act()
        return act.kind, act.move * self.half, act.measure_next


class ByContract:
    """An adviser told and asked as the contract says; stops and checks find nothing."""

    def __init__(self, scene: Scene, habit: int | None = None) -> None:
        seat = Seat(scene.half_width, every=scene.every)
        self.advisor = advisor_for(plan_of(Shaft(scene, "", (seat,), 0.0, told=True), habit))

    def part(self) -> None:
        self.advisor.part()

    def reading(self, um: float) -> None:
        self.advisor.reading(name_of(0), um)

    def pause(self, minutes: float) -> None:
        self.advisor.event("pause", minutes=minutes)

    def dressed(self) -> None:
        self.advisor.event("dress")

    def moved(self, um: float) -> None:
        if um:
            self.advisor.event("offset", um=um)

    def act(self) -> tuple[str, float, bool]:
        advice = self.advisor.advise()
        if advice.action in ("hold", "check", "swivel"):
            self.advisor.event("cleared" if advice.action == "hold" else "master")
            advice = self.advisor.advise()
        return advice.action, advice.offset_um or 0.0, advice.measure_after == 1


def _suits(scene: Scene) -> int:
    """The habit of a shop that knows its wheel."""
    return max(round(scene.life), 2)


MAKERS = {
    "adviser": OneDiameter,
    "adviser_batch_150": lambda scene: OneDiameter(scene, parts=150),
    "adviser_batch_600": lambda scene: OneDiameter(scene, parts=600),
    "adviser_habit": lambda scene: OneDiameter(scene, _suits(scene)),
    "adviser_100": lambda scene: OneDiameter(scene, 100),
    "adviser_30": lambda scene: OneDiameter(scene, 30),
    "adviser_1500": lambda scene: OneDiameter(scene, 1500),
    "contract": ByContract,
    "contract_habit": lambda scene: ByContract(scene, _suits(scene)),
    "contract_100": lambda scene: ByContract(scene, 100),
    "full": OneDiameter,
}

if __name__ == "__main__":
    main(MAKERS, SHAFT_MAKERS, SEVERAL)
