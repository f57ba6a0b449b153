"""How files were understood, in plain words, before anything is stored."""

from collections.abc import Sequence as Many
from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Any

from spc.intake.columns import Column
from spc.intake.csv_file import Sheet
from spc.intake.dialect import SEPARATOR_NAMES
from spc.intake.reading import Paths, as_list, read_sheets, run_of
from spc.intake.table_schema import Understanding
from spc.plan import Plan
from spc.run import Run

_MEANINGS = {
    "": "not used",
    "part": "part number",
    "time": "time",
    "date": "date",
    "clock": "time of day",
    "feature": "name of the feature",
    "unit": "unit of the row",
    "gauge": "gauge",
    "operator": "operator",
    "temperature": "temperature of the part",
    "event": "event",
    "amount_um": "amount of an event, on diameter",
    "typed": "amount of an event, as typed on the control",
    "minutes": "minutes of a pause",
    "note": "note",
    "after_part": "part before an event",
    "machine": "machine",
    "job": "job",
    "repeat": "number of the reading",
}
_FIRST_ROWS = 8


@dataclass(frozen=True)
class ColumnMeaning:
    """One column as understood."""

    header: str
    meaning: str
    unit: str
    decimal_mark: str


@dataclass(frozen=True)
class FilePreview:
    """
    One file as understood.

    Attributes
    ----------
    name, encoding, line_end, separator, decimal_mark, form, dates : str
        In words.
    header_line : int
        0 for a file without a header.
    columns : tuple of ColumnMeaning
    understanding : Understanding
        To be saved and used again.
    """

    name: str
    encoding: str
    line_end: str
    separator: str
    decimal_mark: str
    form: str
    dates: str
    header_line: int
    columns: tuple[ColumnMeaning, ...]
    understanding: Understanding


@dataclass(frozen=True, eq=False)
class Preview:
    """
    What reading these files gives.

    Attributes
    ----------
    files : tuple of FilePreview
    run : Run
        With account, rejects and remarks.
    zone : tzinfo
        Of the shop: lines for people show its time, documents UTC.
    """

    files: tuple[FilePreview, ...]
    run: Run
    zone: tzinfo = UTC

    def first_rows(
        self, count: int = _FIRST_ROWS, *, zone: tzinfo | None = None
    ) -> list[dict[str, Any]]:
        """The first measurements as understood, as text; times in `zone`, UTC without one."""
        frame = self.run.measurements.head(count)
        return [
            {
                "part": int(m.part),
                "serial": m.serial,
                "time": _clock(m.time, zone or UTC),
                "feature": m.feature,
                "deviation_um": f"{m.deviation_um:+.{max(1, min(int(m.decimals), 6) - 3)}f}",
                "reading": f"{m.reading:.{min(int(m.decimals), 9)}f}",
                "repeat": int(m.repeat),
                "row": int(m.row),
            }
            for m in frame.itertuples()
        ]

    def lines(self) -> list[str]:
        """Everything as lines for a terminal."""
        said: list[str] = []
        for file in self.files:
            said += _file_lines(file)
        said += ["", "First rows as understood"]
        rows = self.first_rows(zone=self.zone)
        if rows:
            said.append("  " + "\t".join(rows[0]))
            said += ["  " + "\t".join(str(value) for value in row.values()) for row in rows]
        account = self.run.account
        said += [
            "",
            f"{account['cells']} cells = {account['measurements']} measurements"
            f" + {account['rejected']} rejected + {account['blank']} blank"
            f" + {account['identical']} identical + {account['summary']} summary",
            f"{_counted(account['events'], 'event')};"
            f" {_counted(account['skipped_lines'], 'line')} besides the data (header, text around"
            " it, blank)",
        ]
        said += [
            f"rejected: {r.source}, row {r.row}, {r.column or 'whole row'}: {r.text!r}: {r.reason}"
            for r in self.run.rejects.head(20).itertuples()
        ]
        if len(self.run.rejects) > 20:
            said.append(f"... and {len(self.run.rejects) - 20} more rejects")
        return said + list(self.run.remarks)

    def as_dict(self) -> dict[str, Any]:
        """Everything as one document, ready for JSON."""
        return {
            "files": [
                {
                    name: getattr(file, name)
                    for name in ("name", "encoding", "line_end", "separator", "decimal_mark",
                                 "form", "dates", "header_line")
                }
                | {"columns": [vars(column) for column in file.columns]}
                for file in self.files
            ],
            "first_rows": self.first_rows(),
            "account": self.run.account,
            "rejects": self.run.rejects.to_dict("records"),
            "remarks": list(self.run.remarks),
        }  # fmt: skip


def preview(
    path: Paths,
    plan: Plan,
    events: Paths | None = None,
    *,
    sheet: str | None = None,
    understanding: Understanding | None = None,
) -> Preview:
    """
    Read files and say how they were understood.

    Parameters and errors are those of `read_run`; nothing is stored.
    """
    sheets = read_sheets(
        as_list(path), plan, sheet=sheet, understanding=understanding, growing=False
    )
    run = run_of(sheets, plan, as_list(events))
    return Preview(_files(sheets), run, plan.zone)


def _clock(time: Any, zone: tzinfo) -> str:
    return "" if str(time) == "NaT" else str(time.tz_convert(zone))


def _counted(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _files(sheets: Many[Sheet]) -> tuple[FilePreview, ...]:
    return tuple(
        FilePreview(
            name=sheet.name,
            encoding=sheet.dialect.encoding,
            line_end={"\n": "LF", "\r\n": "CR LF", "\r": "CR"}[sheet.dialect.line_end],
            separator=SEPARATOR_NAMES.get(sheet.dialect.separator, sheet.dialect.separator),
            decimal_mark=_marks(sheet),
            form="long: one reading per row" if sheet.layout.long else "wide: one part per row",
            dates=sheet.times.order if sheet.times is not None else "none",
            header_line=sheet.dialect.header_line,
            columns=tuple(_column(sheet, column) for column in sheet.layout.columns),
            understanding=sheet.understanding,
        )
        for sheet in sheets
    )


def _marks(sheet: Sheet) -> str:
    marks = {sheet.dialect.conventions[c.index].mark for c in sheet.layout.readings}
    names = {".": "point", ",": "comma"}
    return " and ".join(names[mark] for mark in sorted(marks, reverse=True))


def _column(sheet: Sheet, column: Column) -> ColumnMeaning:
    meaning = _MEANINGS.get(column.role, column.role)
    unit = column.unit or ""
    mark = ""
    if column is sheet.lines.part_column:
        meaning = "part number"
    elif column.role == "part":
        meaning = "not used: it does not number the parts"
    if column.role == "reading":
        own = [s for s in sheet.streams if s.column == column]
        senses = {sense for stream in own for sense in stream.believed}
        kinds = {"size" if sense.absolute else "deviation" for sense in senses}
        named = repr(column.feature) if column.feature else "the feature of the row"
        place = f", reading {column.place + 1}" if _repeated(sheet, column) else ""
        meaning = f"{' or '.join(sorted(kinds)) or 'reading'} of {named}{place}"
        unit = ", ".join(sorted({sense.unit for sense in senses})) or unit
        mark = sheet.dialect.conventions[column.index].mark
    return ColumnMeaning(column.header, meaning, unit, mark)


def _repeated(sheet: Sheet, column: Column) -> bool:
    return sum(c.feature == column.feature for c in sheet.layout.readings) > 1


def _file_lines(file: FilePreview) -> list[str]:
    header = f"header in line {file.header_line}" if file.header_line else "no header"
    lines = [
        file.name,
        f"  {file.encoding}, lines end in {file.line_end}, separator: {file.separator},"
        f" decimal {file.decimal_mark}, {header}",
        f"  {file.form}; dates: {file.dates}",
    ]
    for column in file.columns:
        unit = f" [{column.unit}]" if column.unit else ""
        lines.append(f"  {column.header or '(no header)'}\t{column.meaning}{unit}")
    return lines
