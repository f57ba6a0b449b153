"""A line that was not answered, or typed again: it is stored once."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from spc.errors import SpcError, StoreBusy
from spc.ledger.chain import Head
from spc.ledger.entry import Stored
from spc.ledger.store import Ledger
from spc.live.typed import Line

#: What a typed line may be stored as, besides taking another back.
TYPED = ("reading", "event", "part", "answer")
#: The reason kept with what was taken back without one.
UNDONE = "undo at the prompt"


@dataclass(frozen=True)
class Unanswered:
    """
    A typed line of which it is not known whether it was stored.

    Attributes
    ----------
    text : str
        As typed.
    end : Head
        Where the chain ends by its entries; it stands in the ledger only if they do.
    """

    text: str
    end: Head

    def stands(self, ledger: Ledger) -> bool:
        """
        Whether it was stored.

        Raises
        ------
        StoreBusy
            When the ledger still does not answer.
        """
        try:
            return ledger.stands(self.end)
        except SpcError as error:
            raise StoreBusy(
                f"{error}. Whether {self.text.strip()!r} was stored is not known yet, and nothing "
                "else is stored before it is"
            ) from None

    def is_again(self, text: str) -> bool:
        """Whether a line is this one, typed again."""
        return self.text.split() == text.split()


@dataclass(frozen=True)
class Settled:
    """What became of such a line: whether it stands, and a sentence on it; empty without any."""

    stands: bool = False
    words: str = ""


def same_line(last: Sequence[Stored], line: Line, made: int) -> bool:
    """
    Whether a line says what the entries of the last one say.

    Parameters
    ----------
    last : sequence of Stored
        The entries of the last line.
    line : Line
        As typed now.
    made : int
        The part ground last before the last line; asked for only by one that counts parts.
    """
    if not last or (line.part and line.part not in {entry.serial for entry in last}):
        return False
    if line.verb == "reading":
        read = [e for e in last if e.kind == "reading"]
        if line.feature and line.feature not in {e.what for e in read[:1]}:
            return False
        texts = tuple(e.text for e in read)
        return texts == tuple(" ".join(number.split()) for number in line.numbers)
    return any(_same(entry, line, made) for entry in last)


def _same(entry: Stored, line: Line, made: int) -> bool:
    match entry.kind:
        case "withdrawn":
            said = line.verb, line.part, line.note or UNDONE
            return said == ("undo", entry.serial, entry.note)
        case "part":
            return (line.verb, line.amount) == ("ground", entry.part - made)
        case "answer":
            answered = {"done": "done", "no": "not done"}.get(line.verb)
            return (answered, line.note) == (entry.text, entry.note)
        case "event":
            amount = entry.minutes if line.verb == "pause" else entry.value
            return (entry.what, amount, entry.note) == (line.verb, line.amount, line.note)
        case _:
            return False


def told_last(last: Sequence[Stored], zone: tzinfo | None, ahead: int) -> str:
    """The last typed line in words: what, of which part, stored when."""
    entry = next((e for e in last if e.kind in ("reading", "event", "part")), last[-1])
    part = f"part {entry.serial or entry.part + ahead}"
    texts = " ".join(e.text for e in last if e.kind == "reading")
    amount = "" if entry.value is None else f" {entry.value:+g} µm"
    what = {
        "reading": f"{entry.what} {texts} of {part}",
        "event": f"{entry.what}{amount} after {part}",
        "part": f"ground up to {part}",
        "withdrawn": f"undo after {part}",
    }.get(entry.kind, f"{entry.what} {entry.text} after {part}")
    moment = datetime.fromtimestamp(entry.stored / 1e6, zone or UTC)
    return f"{what}, stored {moment:%Y-%m-%d %H:%M:%S}"
