"""
What was understood of a file, saved and used again, as an open descriptor.

A tabular data resource of the Data Package standard, version 2 (datapackage.org): its Table
Dialect says how the text is cut, its Table Schema what the columns are. Properties that begin with
``spc:`` are ours; the standard lets descriptors carry such.
"""

import json
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from spc.errors import UnreadableRun
from spc.intake import words
from spc.intake.cells import Convention
from spc.intake.columns import Column, Layout
from spc.intake.decoding import Text
from spc.intake.dialect import Dialect
from spc.intake.tokens import cut_line, read_record
from spc.units import UM_PER_UNIT

_DEEPEST_HEADER = 200


@dataclass(frozen=True)
class Understanding:
    """
    How a file is written and what its columns mean.

    Attributes
    ----------
    separator : str
    header_line : int
        0 for a file without a header.
    headers : tuple of str
    layout : Layout
    conventions : dict
        How numbers are written, by column index.
    source : str
        The descriptor, for errors.
    """

    separator: str
    header_line: int
    headers: tuple[str, ...]
    layout: Layout
    conventions: dict[int, Convention]
    source: str = ""

    def descriptor(self, path: str = "", encoding: str = "utf-8") -> dict[str, Any]:
        """The resource descriptor, ready for JSON."""
        dialect: dict[str, Any] = {
            "delimiter": self.separator,
            "quoteChar": '"',
            "doubleQuote": True,
            "skipInitialSpace": True,
            "header": self.header_line > 0,
        }
        if self.header_line:
            dialect["headerRows"] = [self.header_line]
        return {
            "name": words.key(Path(path).stem) or "run",
            "path": Path(path).name,
            "type": "table",
            "format": "csv",
            "encoding": encoding,
            "dialect": dialect,
            "schema": {
                "fields": [self._field(column) for column in self.layout.columns],
                "missingValues": [""],
            },
            "spc:form": "long" if self.layout.long else "wide",
        }

    def _field(self, column: Column) -> dict[str, Any]:
        field: dict[str, Any] = {"name": column.header, "type": "string"}
        if column.role in ("reading", "temperature", "amount_um", "typed"):
            convention = self.conventions.get(column.index, Convention())
            # Cells may carry a unit behind the number.
            field |= {"type": "number", "decimalChar": convention.mark, "bareNumber": False}
            if convention.group:
                field["groupChar"] = convention.group
        said = {
            "role": column.role, "feature": column.feature, "unit": column.unit,
            "place": column.place, "kind": column.kind,
        }  # fmt: skip
        return field | {f"spc:{name}": value for name, value in said.items() if value}

    def applied_to(self, text: Text) -> tuple[Dialect, Layout]:
        """
        The dialect and layout for another file of the same make.

        Raises
        ------
        UnreadableRun
            When the file has another header.
        """
        lines = text.data.decode("utf-8", "replace").split("\n")
        at, end = (0, 0) if not self.header_line else self._header(lines, text)
        offset = len("\n".join(lines[:end]).encode()) + 1 if end else 0
        dialect = Dialect(
            encoding=text.encoding,
            line_end=text.line_end,
            separator=self.separator,
            header_line=at + 1 if self.header_line else 0,
            headers=self.headers,
            offset=min(offset, len(text.data)),
            line=end + 1,
            conventions=self.conventions,
        )
        return dialect, self.layout

    def _header(self, lines: list[str], text: Text) -> tuple[int, int]:
        wanted = [header.strip() for header in self.headers]
        deepest = min(len(lines), _DEEPEST_HEADER)
        for at in sorted(range(deepest), key=lambda i: abs(i - self.header_line + 1)):
            fields, taken = read_record(lines.__getitem__, at, len(lines), self.separator)
            if fields == wanted:
                return at, at + taken
        seen = cut_line(lines[min(self.header_line, len(lines)) - 1], self.separator).fields or []
        raise UnreadableRun(
            f"{text.name}: no column header as saved in {self.source or 'the descriptor'}; seen:"
            f" {', '.join(map(repr, seen[:12]))}; sought: {', '.join(map(repr, wanted[:12]))}"
        )


def save_understanding(
    understanding: Understanding, path: str | os.PathLike[str], *, of: str = ""
) -> Path:
    """
    Write the descriptor as JSON.

    Parameters
    ----------
    understanding : Understanding
        Of one file, as in a preview.
    path : str or path
        Where to write.
    of : str
        The file it describes.
    """
    target = Path(path)
    text = json.dumps(understanding.descriptor(of), indent=2, ensure_ascii=False)
    target.write_text(text + "\n", encoding="utf-8")
    return target


def load_understanding(path: str | os.PathLike[str]) -> Understanding:
    """
    The understanding saved in a descriptor.

    Raises
    ------
    UnreadableRun
        When the file is no such descriptor.
    """
    try:
        found = json.loads(Path(path).read_text(encoding="utf-8"))
        fields = found["schema"]["fields"]
        dialect = found.get("dialect", {})
        columns = tuple(_column(i, field) for i, field in enumerate(fields))
        conventions = {
            i: Convention(field.get("decimalChar", "."), field.get("groupChar"))
            for i, field in enumerate(fields)
        }
        header = dialect.get("header", True)
        layout = Layout(columns, long=found.get("spc:form") == "long")
        _check(layout)
        return Understanding(
            separator=str(dialect.get("delimiter", ","))[:1] or ",",
            header_line=int((dialect.get("headerRows") or [1])[0]) if header else 0,
            headers=tuple(column.header for column in columns),
            layout=layout,
            conventions=conventions,
            source=str(path),
        )
    except OSError as error:
        raise UnreadableRun(f"{path}: the descriptor cannot be opened ({error.strerror})") from None
    except RecursionError:
        raise UnreadableRun(
            f"{path}: this is no descriptor of a table: it is nested too deep; save one with a"
            " preview"
        ) from None
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, OverflowError) as error:
        raise UnreadableRun(
            f"{path}: this is no descriptor of a table ({type(error).__name__}: {error}); save one"
            " with a preview"
        ) from None


def _check(layout: Layout) -> None:
    for column in layout.columns:
        if column.role not in words.ROLE_NAMES and column.role:
            raise ValueError(f"spc:role is {column.role!r}")
    if not layout.readings:
        raise ValueError("no field has spc:role 'reading'")
    if layout.long and layout.of("feature") is None:
        raise ValueError("spc:form is 'long', but no field has spc:role 'feature'")
    if not layout.long and not all(column.feature for column in layout.readings):
        raise ValueError("a field of readings has no spc:feature")


def _column(index: int, field: dict[str, Any]) -> Column:
    unit = field.get("spc:unit")
    if unit is not None and unit not in UM_PER_UNIT:
        raise ValueError(f"spc:unit is {unit!r}")
    return Column(
        index=index,
        header=str(field["name"]),
        role=str(field.get("spc:role", "")),
        feature=field.get("spc:feature"),
        unit=unit,
        place=int(field.get("spc:place", 0)),
        kind=field.get("spc:kind"),
    )
