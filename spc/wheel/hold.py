"""Parts held since the last good check, until their cause is cleared and good parts prove it."""

from dataclasses import asdict, dataclass, replace
from typing import Any

#: Good parts that end a hold once cleared.
PROVEN = 2


@dataclass(frozen=True)
class Hold:
    """
    Parts `first` to `last`, suspect because of a feature read outside.

    Others before them, from part `oldest` on, may be held as well, with good parts in between;
    `value` is what confirmed it [µm], the mean of so many `repeats`; `good` counts good parts in a
    row since; `opened` is the part at which a hold was first said, of which this one goes on.
    """

    name: str
    first: int
    last: int
    value: float
    repeats: int
    cleared: bool
    good: int
    opened: int
    oldest: int

    def clear(self) -> "Hold":
        """The cause was found and put right; good parts have to prove it."""
        return replace(self, cleared=True, good=0)

    def after_part(self, *, good: bool) -> "Hold | None":
        """The hold once a part was found good or not; None when that ends it."""
        hold = replace(self, good=self.good + 1 if good else 0)
        return None if hold.cleared and hold.good >= PROVEN else hold

    @property
    def span_words(self) -> str:
        """Which parts are held, those before the last good check apart."""
        return f"part {self.last}" if self._one else f"parts {self.first} to {self.last}"

    @property
    def _one(self) -> bool:
        return self.first == self.last

    @property
    def words(self) -> str:
        """Why parts are held, or what ends it."""
        if self.cleared:
            more = f" and of those since part {self.oldest}" * self._others
            return f"cleared; two good parts end the hold of {self.span_words}{more}"
        sure = "and confirmed at" if self.repeats > 1 else "as was the part read before it, at"
        return (
            f"{self.name} of part {self.last} is outside its guarded limits {sure} "
            f"{self.value:+.1f} µm; {self.span_words} {'is' if self._one else 'are'} "
            f"suspect since the last good check{self._others_words}{self._since_words}"
        )

    @property
    def _others(self) -> bool:
        return self.oldest < self.first

    @property
    def _others_words(self) -> str:
        return f", earlier ones since part {self.oldest} are still held" * self._others

    @property
    def _since_words(self) -> str:
        if self.good < PROVEN:
            return ""
        return f"; {self.good} good parts in a row since, so sort these and clear the hold"

    @property
    def still_held_words(self) -> str:
        """What is held while the size is being brought back; "" when that was cleared."""
        stay = "stays" if self._one else "stay"
        if self.cleared:
            return ""
        return f"{self.span_words} {stay} held until cleared{self._others_words}"

    def state(self) -> dict[str, Any]:
        """Plain values."""
        return asdict(self)


def hold_on(
    before: Hold | None, name: str, *, since: int, part: int, value: float, repeats: int
) -> Hold:
    """
    The hold of parts from `since` to this `part`.

    It goes on with the one `before` it, if any: as one span where no good part came in between.
    """
    first = oldest = since
    if before is not None:
        first = min(since, before.first) if since <= before.last + 1 else since
        oldest = min(first, before.oldest)
    # While a cleared hold is being proven, another bad part does not stop its cure again.
    return Hold(
        name=name,
        first=first,
        oldest=oldest,
        last=part,
        value=value,
        repeats=repeats,
        cleared=before is not None and before.cleared,
        good=0,
        opened=part if before is None else before.opened,
    )
