"""
Rules of safety: what no value may overrule. Each is one line of code and one of reason.

Not here: no move on a single reading that may be odd (`Steer.act`: a second one is worth its
price).
"""

from dataclasses import dataclass

from spc.adviser.form import Form

#: Good parts that prove a hold is over.
PROOF = 2
#: A move beyond this share of a half width rests on more than one reading. Judgement.
LARGE_MOVE = 0.5
#: A jump is unexplained from this probability on, and from this size on. [half widths] Judgement.
SURE_JUMP, LEAST_JUMP = 0.9, 0.25


@dataclass
class Hold:
    """
    Parts outside the guarded limits: read again, then held until cleared and proven.

    A reading outside may be dirt; two are a part that must not be sent on.
    """

    name: str
    lower_um: float
    upper_um: float
    readings: tuple[float, ...] = ()
    held: bool = False
    doubtful: int = 0  # side on which the part read last was outside, if never read again
    to_prove: int = 0

    def part(self) -> None:
        """The next part was ground."""
        if self.to_prove and self.readings and not self.held and not self.outside:
            self.to_prove -= 1
        if self.readings:
            self.doubtful = self._side(self.readings[-1]) if self.unconfirmed else 0
        self.readings = ()

    def reading(self, um: float) -> None:
        """A reading of this part; the second one outside holds."""
        self.readings += (um,)
        # Two outside count, not two in three: the last two readings are believed.
        twice = len(self.readings) > 1 and all(self._beyond(value) for value in self.readings[-2:])
        # So does the next part, where nobody read the first one again.
        again = self.unconfirmed and self.doubtful == self._side(um)
        if twice or again:
            self.held, self.to_prove = True, PROOF

    def inside(self, move_um: float) -> bool:
        """Whether the part read last, if any was, would lie inside after a move."""
        return not self.readings or not self._beyond(self.readings[-1] + move_um)

    def cleared(self) -> None:
        """Whoever may has set the parts aside."""
        self.held, self.readings = False, ()

    def _beyond(self, um: float) -> bool:
        return self._side(um) != 0

    def _side(self, um: float) -> int:
        return int(um > self.upper_um) - int(um < self.lower_um)

    @property
    def outside(self) -> bool:
        """Whether the last reading lies outside."""
        return bool(self.readings) and self._beyond(self.readings[-1])

    @property
    def unconfirmed(self) -> bool:
        """Whether one reading, and no second one, lies outside."""
        return self.outside and len(self.readings) == 1

    @property
    def proving(self) -> bool:
        """Whether good parts are still to be read before the schedule counts again."""
        return self.to_prove > 0


def dress_is_forced(age: int, most: int | None) -> bool:
    """The limit of parts per dress on the process sheet holds whatever the readings say."""
    return most is not None and age >= most


def glazes(form: Form, age: int, habit: int | None) -> bool:
    """A wheel whose finish gets finer glazes: it does not ask for a dress, and gets the habit's."""
    return habit is not None and age >= habit and form.falls(habit)


def capped(move: float, largest: float) -> float:
    """No single move is larger than the plan allows: a larger one is a set-up, or a mistake."""
    return max(-largest, min(largest, move))
