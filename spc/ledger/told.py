"""The readings of a run as plain columns, and what tells each from others."""

from typing import Any

from spc.ledger.entry import number, storable
from spc.run import Run


class Told:
    """The readings of a run as plain columns."""

    def __init__(self, read: Run) -> None:
        table = read.measurements
        self.part: list[int] = table["part"].tolist()
        self.serial: list[str] = [storable(s) for s in table["serial"].tolist()]
        self.time = micros(table["time"])
        self.feature: list[str] = [str(f) for f in table["feature"].tolist()]
        self.value: list[float] = (table["deviation_um"].to_numpy() + 0.0).tolist()
        self.size = [number(v) for v in table["reading"].tolist()]
        self.decimals: list[int] = table["decimals"].tolist()
        self.repeat: list[int] = table["repeat"].tolist()
        self.source: list[str] = [str(s) for s in table["source"].tolist()]
        self.row: list[int] = table["row"].tolist()
        self.who = _texts(table, "operator")
        self.gauge = _texts(table, "gauge")
        celsius = table["temperature"].tolist() if "temperature" in table else []
        self.celsius = [number(v) for v in celsius] or [None] * len(self.part)
        self.first_number = read.first_number
        self.by = {source.name: source.rows_by for source in read.sources}

    def __len__(self) -> int:
        return len(self.part)

    def own_serial(self, at: int) -> str:
        """The part number as written; empty where the file has none."""
        return self.serial[at] if self.by.get(self.source[at]) == "serial" else ""

    def place(self, at: int) -> str:
        """What is written in the part column where that numbers no parts, such as a pallet's."""
        written = self.serial[at]
        return "" if self.own_serial(at) or written == str(self.part[at]) else written

    def rows(self) -> list[list[int]]:
        """Positions of the readings of each row."""
        rows: dict[tuple[str, int], list[int]] = {}
        for at, place in enumerate(zip(self.source, self.row, strict=True)):
            rows.setdefault(place, []).append(at)
        return list(rows.values())

    def called(self, at: int) -> str:
        """The part of a reading, as somebody finds it in the file."""
        serial = self.own_serial(at)
        return f"part {serial}" if serial else f"the part in row {self.row[at]}"

    def bare(self, at: int) -> bool:
        """Whether nothing but its readings tells the row apart; a day does not."""
        return self.by.get(self.source[at]) == "place"

    def own_time(self, at: int) -> int | None:
        """The time that tells the row apart, where no part number does."""
        return self.time[at] if self.by.get(self.source[at]) == "time" else None

    def number(self, at: int) -> int:
        """The part number, where part numbers count the parts."""
        return self.part[at] + (self.first_number or 1) - 1


def micros(time: Any) -> list[int | None]:
    """Microseconds since 1970 UTC; None where no time was written."""
    stamps = time.dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    missing = time.isna().to_numpy()
    whole = stamps.astype("int64").tolist()
    if not missing.any():
        return list(whole)
    return [None if gone else t for t, gone in zip(whole, missing.tolist(), strict=True)]


def _texts(table: Any, column: str) -> list[str]:
    if column not in table:
        return [""] * len(table)
    return [storable(str(text)) for text in table[column].tolist()]
