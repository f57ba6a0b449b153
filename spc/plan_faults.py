"""What is wrong in a plan, in one line: the key, what was seen, what would be right."""

from collections.abc import Iterator, Mapping
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

Loc = tuple[int | str, ...]
# Of a value so much is shown. Own choice.
_LONGEST = 60


def first_fault(
    error: ValidationError, table: dict[str, Any], sections: Mapping[str, type[BaseModel]]
) -> str:
    """
    The fault to put right first, and how many more there are.

    Parameters
    ----------
    error : ValidationError
        As raised by the plan.
    table : dict
        The plan as read from TOML.
    sections : mapping
        Model of each top-level key, whose keys are named when one is unknown.
    """
    faults = error.errors()
    # A feature with a fault leaves the list of features short; that is no fault of its own.
    faults = [f for f in faults if f["type"] != "too_short"] or faults
    # An unknown key is most often the misspelling behind a missing one, so it is named first.
    fault = next((f for f in faults if f["type"] == "extra_forbidden"), faults[0])
    place = _place(fault["loc"], table)
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    if fault["type"] == "extra_forbidden":
        known = ", ".join(_known_keys(fault["loc"], sections))
        return f"{place}: unknown key; known here: {known}{more}"
    if fault["type"] == "missing":
        return f"{place}: this key is missing{more}"
    if fault["type"] == "value_error":
        says = str(fault["ctx"]["error"])
        return f"{place}: {says}{more}" if place else says
    seen = repr(fault["input"])
    seen = seen if len(seen) <= _LONGEST else f"{seen[:_LONGEST]}..."
    return f"{place} = {seen}: {fault['msg'][0].lower()}{fault['msg'][1:]}{more}"


def _place(loc: Loc, table: dict[str, Any]) -> str:
    parts: list[str] = []
    for step in loc:
        if isinstance(step, int) and loc[0] == "feature":
            written = table["feature"][step]
            name = written.get("name", step + 1) if isinstance(written, dict) else step + 1
            parts[-1] = f"feature {name!r}"
        elif isinstance(step, int):
            parts[-1] = f"{parts[-1]}[{step}]"
        # `target` may be a word or a number; which of the two failed is no place in the file.
        elif step not in ("literal['middle']", "float"):
            parts.append(str(step))
    return ", ".join(parts)


def _known_keys(loc: Loc, sections: Mapping[str, type[BaseModel]]) -> list[str]:
    """Keys of the table that the last step of `loc` stands in, tables within tables included."""
    if len(loc) == 1:
        return list(sections)
    table = sections[str(loc[0])]
    for step in loc[1:-1]:
        if isinstance(step, str):
            table = next(_tables_in(table.model_fields[step].annotation), table)
    return list(table.model_fields)


def _tables_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inside in get_args(annotation):
        yield from _tables_in(inside)
