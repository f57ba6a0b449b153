"""Whose turn it is: the part and feature that the next number belongs to."""

from dataclasses import dataclass, field

from spc.adviser.advice import Advice
from spc.ledger.entry import whole
from spc.ledger.replay import Progress
from spc.live.typed import MOST_AHEAD, Line, NotUnderstood, Value, value_of
from spc.plan import Feature, Plan


@dataclass
class Turn:
    """
    The order in which parts and features are read.

    Attributes
    ----------
    plan : Plan
        Its features, in turn.
    part : int or None
        Part that was named beforehand.
    skipped : set of str
        Features left out on the part ground last.
    """

    plan: Plan
    part: int | None = None
    skipped: set[str] = field(default_factory=set)

    def due(self, progress: Progress) -> tuple[int, Feature]:
        """Part and feature that a bare number would be taken for."""
        features = self.plan.measured_features
        if self.part is not None and self.part != progress.made:
            return self.part, self._next_feature(progress, self.part, {})
        advice = progress.advice
        if progress.read and advice.action == "measure_again":
            named = [f for f in features if f.name == advice.subject]
            return progress.made, (named or list(features))[0]
        if progress.read:
            if self.part == progress.made:
                return progress.made, self._next_feature(progress, progress.made, {})
            left = self._left(progress, progress.made, progress.read)
            if left:
                return progress.made, left[0]
        part = progress.made + self._step(progress, advice)
        return part, self._next_feature(progress, part, {})

    def _step(self, progress: Progress, advice: Advice) -> int:
        """Parts to the next one that is measured: every one, unless the plan samples."""
        if not progress.read or not any(f.sample for f in self.plan.measured_features):
            return 1
        return max(1, advice.measure_after)

    def _next_feature(self, progress: Progress, part: int, read: dict[str, int]) -> Feature:
        left = self._left(progress, part, read)
        return left[0] if left else self.plan.measured_features[0]

    def _left(self, progress: Progress, part: int, read: dict[str, int]) -> list[Feature]:
        """Features still due on a part, in the order of the plan, after the last one read."""
        features = self.plan.measured_features
        usual = min((f.sample for f in features if f.sample), default=1)
        skipped = self.skipped if part == progress.made else set()

        def is_due(feature: Feature) -> bool:
            last, every = progress.last_read.get(feature.name), feature.sample or usual
            return every <= usual or last is None or last == part or part - last >= every

        reached = max((i for i, f in enumerate(features) if f.name in read), default=-1)
        return [f for f in features[reached + 1 :] if f.name not in skipped and is_due(f)]

    def placed(self, progress: Progress, line: Line) -> tuple[int, list[tuple[Feature, Value]]]:
        """The part a line belongs to, and its numbers by feature."""
        part, first = self.due(progress)
        if line.part:
            part = self.part_number(progress, line.part)
            read = progress.read if part == progress.made else {}
            first = self._next_feature(progress, part, read)
        features = list(self.plan.measured_features)
        if line.feature:
            first = self.plan.feature(line.feature)
            part = self._part_for(progress, part, first, line)
        begin = features.index(first)
        if part == progress.made and len(line.numbers) == len(features) and not line.feature:
            # A whole row for a part that was read: it was measured again from the first feature.
            again = progress.advice.action == "measure_again"
            begin = 0 if again or line.part or self.part is not None else begin
        turn = features[begin:]
        if len(line.numbers) > len(turn):
            raise NotUnderstood(
                f"{len(line.numbers)} readings, but from {first.name} on the plan has "
                f"{len(turn)}: {', '.join(f.name for f in turn)}"
            )
        return part, [
            (feature, value_of(number, feature))
            for feature, number in zip(turn, line.numbers, strict=False)
        ]

    def _part_for(self, progress: Progress, part: int, feature: Feature, line: Line) -> int:
        """A named feature that was not read yet on this part belongs to it."""
        if line.part or self.part is not None or not progress.read:
            return part
        if feature.name not in progress.read:
            return progress.made
        if part == progress.made:
            # Another feature was due; this one comes a second time, so the part is the next.
            again = progress.advice
            if again.action != "measure_again" or again.subject != feature.name:
                return progress.made + self._step(progress, again)
        return part

    def part_number(self, progress: Progress, written: str) -> int:
        """The part that the operator calls so; NotUnderstood when it lies behind."""
        count = whole(written)
        if count is None:
            raise NotUnderstood(f"part {written!r}: part numbers here are whole, such as 118")
        if not progress.made and not progress.ahead:
            return 1
        part = count - progress.ahead
        if part > progress.made + MOST_AHEAD:
            raise NotUnderstood(
                f"part {written} is more than {MOST_AHEAD:,} parts after part "
                f"{progress.made + progress.ahead}, the last one; where parts are numbered anew, "
                "begin another run with --new"
            )
        if part < progress.made:
            raise NotUnderstood(
                f"part {written} comes before part {progress.made + progress.ahead}, the last one; "
                "parts count upwards"
            )
        return part
