"""What goes wrong with a ledger, in plain words: what happened, where, and what to do."""

import contextlib
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import exc

from spc.errors import SpcError, StoreBusy
from spc.ledger.chain import Head
from spc.ledger.place import shown, without_secrets

#: Seconds to wait for another writer, or for a server, before giving up.
PATIENCE = 30
#: What follows from a write that failed before it was committed.
NOTHING_STORED = "nothing of this entry was stored"


class DamagedLedger(SpcError):
    """A ledger whose file or chain is broken."""

    exit_status = 4


class LedgerReplaced(StoreBusy):
    """Another ledger stands under the name than the one that was read last."""


class NotKnown(StoreBusy):
    """
    The store went away while it was told to keep something: it may stand there or not.

    Attributes
    ----------
    end : Head
        Where the chain ends if it does.
    """

    def __init__(self, words: str, end: Head) -> None:
        super().__init__(words)
        self.end = end


@contextlib.contextmanager
def clear_words(place: str, outcome: str = "") -> Iterator[None]:
    """
    Turn what the database says into one line.

    Parameters
    ----------
    place : str
        The ledger.
    outcome : str
        What follows for what was about to be done; a read has none.
    """
    try:
        yield
    except exc.IntegrityError:
        raise
    except (exc.DBAPIError, sqlite3.DatabaseError) as error:
        raise clear(place, error, outcome) from error


def clear(place: str, error: Exception, outcome: str = "") -> SpcError:
    """What a database says, as a refusal."""
    lines = without_secrets(str(getattr(error, "orig", None) or error), place).splitlines()
    says = next((line.strip() for line in lines if line.strip()), type(error).__name__)
    low, where = " ".join(lines).lower(), shown(place)
    if any(word in low for word in _DAMAGE):
        return DamagedLedger(
            f"{where}: the file is damaged ({says}); keep it, run `spc ledger verify`, and go on "
            "from the last backup with `spc ledger restore`"
        )
    words = next((cure for word, cure in _CAUSES if word in low), "the database refused: {says}")
    told = words.format(patience=PATIENCE, free=_free(place), says=says)
    return StoreBusy(f"{where}: {told}{outcome and f'; {outcome}'}")


_READ_ONLY = "it cannot be written: the file or its folder is read-only"
_PERMISSIONS = "it cannot be opened or made: look at the folder and its permissions"
_BUSY = "another program has kept it busy for {patience} s; try again"
_CAUSES = (
    ("locked", _BUSY),
    ("lock timeout", _BUSY),
    ("readonly", _READ_ONLY),
    ("read-only", _READ_ONLY),
    ("full", "the disk is full ({free} MB free)"),
    ("no space", "the disk is full ({free} MB free)"),
    ("disk i/o", "the disk refused ({free} MB free)"),
    ("unable to open", _PERMISSIONS),
    ("permission denied", _PERMISSIONS),
    ("does not exist", "the database server knows no such name: {says}"),
    ("password", "the database server does not let this user in: {says}"),
    ("connection", "the database server does not answer: {says}"),
)
_DAMAGE = ("malformed", "not a database", "corrupt")


def _free(place: str) -> str:
    try:
        return f"{shutil.disk_usage(Path(place).parent).free / 1e6:.0f}"
    except OSError:
        return "?"
