"""
The hash chain: each entry is bound to all before it, so that a later edit shows.

The hash of an entry is SHA-256 over the hash before it and the entry's fields as JSON, one per
line. It is evidence against accidents and quiet edits, not against someone who rewrites the whole
chain: compare its head with one printed in a report.
"""

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

#: Hash before the first entry.
START = bytes(32)
#: Rows turned into text at once: few calls, and few enough that they stay in the processor's cache.
BATCH = 250
# A line end never stands inside a JSON string, so it separates fields, and "]\n[" separates rows.
_encode = json.JSONEncoder(separators=("\n", ":"), allow_nan=False, check_circular=False).encode


@dataclass(frozen=True)
class Head:
    """Where the chain ends: the number of entries and the hash over all of them."""

    line: int
    chain: bytes

    @property
    def words(self) -> str:
        """For a report: the head that `spc ledger verify --head` knows again."""
        return f"{self.chain.hex()[:32]} after line {self.line}"


def digest(text: str) -> str:
    """SHA-256 of a text that an entry answers for, in hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()


def state_chain(chain: bytes, content: str) -> bytes:
    """What binds a kept state to the line it follows: SHA-256 over its chain and the state."""
    return hashlib.sha256(chain + content.encode()).digest()


def texts(rows: Sequence[Sequence[Any]]) -> list[str]:
    r"""
    The text of each row that the chain reads.

    Examples
    --------
    >>> texts([(1, "a", None), (2, "b]", 0.5)])
    ['1\n"a"\nnull', '2\n"b]"\n0.5']
    """
    return _encode(rows)[2:-2].split("]\n[") if rows else []


def linked(rows: Iterable[Sequence[Any]], before: bytes) -> Iterable[bytes]:
    """The hash of each row in turn, beginning after the hash `before`."""
    sha256 = hashlib.sha256
    remaining = iter(rows)
    while batch := list(islice(remaining, BATCH)):
        for text in _encode(batch)[2:-2].encode().split(b"]\n["):
            before = sha256(before + text).digest()
            yield before
