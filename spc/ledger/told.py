"""The readings of a run as plain columns, and what tells each of them from every other."""

from typing import Any

from spc.ledger.entry import number, storable
from spc.run import Run

Key = tuple[object, ...]


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
        self.numbered = any(words.startswith("part numbers count") for words in read.remarks)
        self.timed = all(t is not None for t in self.time)

    def __len__(self) -> int:
        return len(self.part)

    def shifted(self, base: int) -> list[int]:
        """Parts as the ledger numbers them."""
        return self.part if not base else [part + base for part in self.part]

    def key(self, at: int, part: int) -> Key:
        """What tells a reading from every other of the run."""
        if self.numbered:
            return part, self.feature[at], self.time[at], *self._which(at)
        if self.timed:
            return self.time[at], self.feature[at], self.repeat[at]
        return self.source[at], self.row[at], self.feature[at], self.repeat[at]

    def _which(self, at: int) -> tuple[object, ...]:
        # With a time, a second reading of the part has another one.
        return () if self.time[at] is not None else (self.repeat[at],)


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
