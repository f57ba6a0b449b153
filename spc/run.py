"""One production run: its measurements, events and rejects, and the account that adds up."""

from dataclasses import dataclass, field

import pandas as pd

#: Columns of `Run.measurements`, in order, with what stands in them.
MEASUREMENT_COLUMNS = {
    "part": "number of the part in grinding order, 1 for the first (int64)",
    "serial": "the part number as written (text)",
    "time": "UTC, NaT when not written",
    "feature": "name of the feature in the plan (text)",
    "deviation_um": "size minus nominal on diameter; the value itself for form and finish [µm]",
    "reading": "absolute size in the plan's unit for that feature",
    "decimals": "digits after the decimal mark, as written",
    "repeat": "0 for the first reading of the part, then 1, 2 ...",
    "source": "file, as named by the caller (text)",
    "row": "physical line where the record begins, the first line of the file being 1",
}
EVENT_COLUMNS = {
    "after_part": "the event stands after this part; 0: before the first",
    "time": "UTC, NaT when not written",
    "kind": "one of EVENT_KINDS (text)",
    "amount_um": "on diameter, + makes parts bigger; NaN without [µm]",
    "minutes": "length of a pause; NaN without",
    "note": "free text",
    "source": "file, as named by the caller (text)",
    "row": "physical line",
}
REJECT_COLUMNS = {
    "source": "file, as named by the caller (text)",
    "row": "physical line",
    "column": "header of the column; empty: the whole row",
    "text": "what was seen",
    "reason": "why it was not taken",
}
EVENT_KINDS = (
    "dress", "offset", "wheel", "swivel", "pause", "master", "batch", "coolant", "regrind",
    "cleared", "note",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Run:
    """
    One production run of one plan on one machine.

    Attributes
    ----------
    measurements, events, rejects : pandas.DataFrame
        Columns as in `MEASUREMENT_COLUMNS`, `EVENT_COLUMNS`, `REJECT_COLUMNS`; measurements in
        grinding order.
    account : dict of int
        ``cells = measurements + rejected + blank + identical + summary``; ``events`` and
        ``skipped_lines`` are counted apart.
    sources : tuple of Source
        The files, with the hash of their bytes.
    remarks : tuple of str
        What the reader decided and the page must say: numbering, order, units, doubts.
    first_number : int or None
        The part number of part 1, where part numbers as written count the parts; else rows do.
    """

    measurements: pd.DataFrame
    events: pd.DataFrame
    rejects: pd.DataFrame
    account: dict[str, int]
    sources: tuple["Source", ...] = ()
    remarks: tuple[str, ...] = field(default=())
    first_number: int | None = None

    @property
    def made(self) -> int:
        """Parts ground, measured or not: the number of the last part known of."""
        seen = [
            int(frame[column].max())
            for frame, column in ((self.measurements, "part"), (self.events, "after_part"))
            if len(frame)
        ]
        return max(seen, default=0)

    @property
    def measured(self) -> int:
        """Parts with at least one accepted reading."""
        return int(self.measurements["part"].nunique())


@dataclass(frozen=True)
class Source:
    """
    A file a run was read from.

    Attributes
    ----------
    name, sha256 : str
        As named by the caller, and the hash of its bytes.
    lines : int
        Physical lines.
    rows_by : {"serial", "time", "place"}
        What tells its rows apart: a part number, else a time of day, else only their place.
    """

    name: str
    sha256: str
    lines: int
    rows_by: str = "place"
