"""Parts held since the last good check, until their cause is cleared and good parts prove it."""

from dataclasses import asdict, dataclass, replace
from typing import Any

#: Good parts that end a hold once cleared.
PROVEN = 2


@dataclass(frozen=True)
class Hold:
    """
    Parts `first` to `last`, suspect because of a feature read outside.

    `value` is what confirmed it [µm], the mean of so many `repeats`; `good` counts good parts in a
    row since; `opened` is the part at which the hold was first said.
    """

    name: str
    first: int
    last: int
    value: float
    repeats: int
    cleared: bool
    good: int
    opened: int

    @classmethod
    def kept(cls, record: dict[str, Any]) -> "Hold":
        """As `state` left it; records made before `opened` was kept lack it."""
        return cls(**{"opened": record["last"], **record})

    def clear(self) -> "Hold":
        """The cause was found and put right; good parts have to prove it."""
        return replace(self, cleared=True, good=0)

    def after_part(self, *, good: bool) -> "Hold | None":
        """The hold once a part was found good or not; None when that ends it."""
        hold = replace(self, good=self.good + 1 if good else 0)
        return None if hold.cleared and hold.good >= PROVEN else hold

    @property
    def span_words(self) -> str:
        """Which parts are held."""
        if self._one:
            return f"part {self.last}"
        return f"parts {self.first} to {self.last}"

    @property
    def _one(self) -> bool:
        return self.first == self.last

    @property
    def words(self) -> str:
        """Why parts are held, or what ends it."""
        if self.cleared:
            return f"cleared; two good parts end the hold of {self.span_words}"
        sure = "and confirmed at" if self.repeats > 1 else "as was the part read before it, at"
        return (
            f"{self.name} of part {self.last} is outside its guarded limits {sure} "
            f"{self.value:+.1f} µm; {self.span_words} {'is' if self._one else 'are'} "
            f"suspect since the last good check{self._since_words}"
        )

    @property
    def _since_words(self) -> str:
        if self.good < PROVEN:
            return ""
        return f"; {self.good} good parts in a row since, so sort these and clear the hold"

    @property
    def still_held_words(self) -> str:
        """What is held while the size is being brought back; "" when that was cleared."""
        stay = "stays" if self._one else "stay"
        return "" if self.cleared else f"{self.span_words} {stay} held until cleared"

    def state(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


def hold_on(
    before: Hold | None, name: str, *, since: int, part: int, value: float, repeats: int
) -> Hold:
    """The hold of parts from `since` to this `part`, joined with the one `before` it, if any."""
    # While a cleared hold is being proven, another bad part does not stop its cure again.
    return Hold(
        name=name,
        first=since if before is None else min(since, before.first),
        last=part,
        value=value,
        repeats=repeats,
        cleared=before is not None and before.cleared,
        good=0,
        opened=part if before is None else before.opened,
    )
