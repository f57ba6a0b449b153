"""What was not taken, with its reason, and the account that adds up."""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from spc.run import REJECT_COLUMNS

#: Where a cell of a feature column can end; `cells` is their sum.
ENDS = ("measurements", "rejected", "blank", "identical", "summary")


@dataclass(frozen=True)
class Reject:
    """One cell or one whole row (`column` empty) that was not taken."""

    source: str
    row: int
    column: str
    text: str
    reason: str


@dataclass
class Account:
    """
    Where every cell ended.

    `identical_rows`, `summary_rows` and `rejected_rows` count lines; `skipped_lines` are headers,
    text around the data, blank lines and rows of other jobs.
    """

    measurements: int = 0
    rejected: int = 0
    blank: int = 0
    identical: int = 0
    summary: int = 0
    events: int = 0
    skipped_lines: int = 0
    identical_rows: int = 0
    summary_rows: int = 0
    rejected_rows: int = 0
    rejects: list[Reject] = field(default_factory=list)

    def as_dict(self) -> dict[str, int]:
        """The counts under the names of `Run.account`."""
        counts = {name: int(getattr(self, name)) for name in ENDS}
        return {
            "cells": sum(counts.values()),
            **counts,
            "events": int(self.events),
            "skipped_lines": int(self.skipped_lines),
            "identical_rows": int(self.identical_rows),
            "summary_rows": int(self.summary_rows),
            "rejected_rows": int(self.rejected_rows),
        }


def rejects_frame(rejects: Iterable[Reject]) -> pd.DataFrame:
    """Rejects as the table of the contract, one line each."""
    rows = list(rejects)
    columns = {
        name: pd.array([getattr(r, name) for r in rows], dtype=np.int64 if name == "row" else "str")
        for name in REJECT_COLUMNS
    }
    return pd.DataFrame(columns)


def shortened(text: str, most: int = 80) -> str:
    """A text short enough for a message."""
    plain = " ".join(text.split())
    return plain if len(plain) <= most else plain[: most - 1] + "…"
