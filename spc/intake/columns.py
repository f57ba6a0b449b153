"""What each column of a file means, told by its header, the plan and the words of the trade."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from spc.errors import PlanError
from spc.intake import words
from spc.plan import Plan
from spc.units import unit_named

_BRACKETED = re.compile(r"\s*[(\[{<]\s*(?:in\s+)?([^()\[\]{}<>]*?)\s*[)\]}>]\s*")
_NUMBERED = re.compile(r"^(.*?)[\s_\-–#.:/(\[]*?(\d{1,2})\s*[)\]]?$", re.DOTALL)
_SPLIT = re.compile(r"[\s_,;:/\-–]+")
# Behind so many signs of a line no header is looked for. Own choice.
_LONGEST_HEADER = 10_000
_LOOSE = tuple(w for w, role in words.ROLES.items() if role in ("reading", "deviation"))


@dataclass(frozen=True)
class Column:
    """
    One column of a file.

    Attributes
    ----------
    index : int
        Position in the file, 0 for the first.
    header : str
        As written.
    role : str
        "" for a column that is not used; "reading" for a feature.
    feature : str or None
        Name in the plan, for a column of readings in wide form.
    unit : {"mm", "in", "um"} or None
        As written in the header.
    place : int
        0 for the first of several readings side by side.
    kind : {"actual", "deviation"} or None
        Said by the header.
    mapped : bool
        Named in the plan, under [columns].
    """

    index: int
    header: str
    role: str = ""
    feature: str | None = None
    unit: str | None = None
    place: int = 0
    kind: str | None = None
    mapped: bool = False


@dataclass(frozen=True)
class Layout:
    """The columns of one file and its form."""

    columns: tuple[Column, ...]
    long: bool

    @property
    def readings(self) -> tuple[Column, ...]:
        """Columns that hold readings, in the order of the file."""
        return tuple(c for c in self.columns if c.role == "reading")

    def of(self, role: str) -> Column | None:
        """The column of that role; None when the file has none."""
        return next((c for c in self.columns if c.role == role), None)


class Lexicon:
    """Everything a header or a cell may call a feature or a role, for one plan."""

    def __init__(self, plan: Plan) -> None:
        self.features = plan.measured_features
        self.names = {words.key(f.name): f.name for f in self.features}
        self._exact = {_flat(f.name): f.name for f in self.features}
        self.mapped: dict[str, str] = {}
        self._map(plan)
        self._mapped_bases = {_flat(split_unit(h)[0]): name for h, name in self.mapped.items()}
        mapped = (words.key(header) for header in (*self.mapped, *self._mapped_bases))
        self._keys = tuple({*self.names, *mapped, *_LOOSE} - {""})
        self._seen: dict[str, Column] = {}
        sizes = [f.name for f in self.features if f.is_size]
        self.only_size = sizes[0] if len(sizes) == 1 else None
        self.only_feature = self.features[0].name if len(self.features) == 1 else None

    def _map(self, plan: Plan) -> None:
        features = {words.key(f.name) for f in plan.features}
        for wanted, header in plan.columns.items():
            if wanted not in words.ROLE_NAMES and words.key(wanted) not in features:
                raise PlanError(
                    f"{plan.source or 'plan'}: columns: {wanted!r} is no feature of the plan and"
                    f" none of {', '.join(sorted(words.ROLE_NAMES))}"
                )
            name = self.names.get(words.key(wanted), wanted)
            if self.mapped.setdefault(_flat(header), name) != name:
                raise PlanError(
                    f"{plan.source or 'plan'}: columns: the header {header!r} is given to"
                    f" {self.mapped[_flat(header)]!r} and to {name!r}; only one can be right"
                )

    def feature_named(self, text: str) -> str | None:
        """The feature a cell of a long file names; None for one the plan does not have."""
        if len(text) > words.LONGEST:
            return None
        known = self._mapped_feature(text) or self._exact.get(_flat(text))
        if known is not None:
            return known
        base, _ = split_unit(text)
        return self.names.get(words.key(text)) or self.names.get(words.key(base))

    def may_be_header(self, line: str) -> bool:
        """Whether any word that a header needs stands in a line; quick, and never a false no."""
        plain = words.plain(line[:_LONGEST_HEADER])
        return any(word in plain for word in self._keys)

    def column(self, index: int, header: str) -> Column:
        """What one header says, seen alone."""
        if len(header) > words.LONGEST:
            return Column(index, header)
        if header not in self._seen:
            self._seen[header] = self._column(0, header)
        return replace(self._seen[header], index=index)

    def _column(self, index: int, header: str) -> Column:
        blank = Column(index, header)
        if not header.strip():
            return blank
        base, unit = split_unit(header)
        known = replace(blank, unit=unit)
        for text in (header, base):
            found = self._mapped_column(known, text)
            if found is not None:
                return found
        for text in (header, base):
            name = self._exact.get(_flat(text)) or self.names.get(words.key(text))
            if name is not None:
                return replace(known, role="reading", feature=name)
        return (
            self._numbered(known, base) or self._decorated(known, base) or self._role(known, base)
        )

    def _mapped_column(self, known: Column, text: str) -> Column | None:
        wanted = self.mapped.get(_flat(text)) or self._mapped_bases.get(_flat(text))
        if wanted is None:
            return None
        known = replace(known, mapped=True)
        if wanted in self.names.values():
            return replace(known, role="reading", feature=wanted)
        return replace(known, role=wanted) if wanted in words.ROLE_NAMES else None

    def _numbered(self, known: Column, base: str) -> Column | None:
        match = _NUMBERED.match(base)
        if match is None:
            return None
        stem, unit = split_unit(match[1])
        known = replace(known, unit=known.unit or unit)
        place = int(match[2]) + 1  # 0 is left to a column without a number
        tokens = [t for t in _SPLIT.split(stem) if t]
        stems = [stem]
        if len(tokens) > 1 and words.key(tokens[-1]) in words.REPEAT_WORDS:
            stems.append(" ".join(tokens[:-1]))
        for candidate in stems:
            name = self._feature_of(candidate)
            if name is not None:
                mapped = self._mapped_feature(candidate) is not None
                return replace(known, role="reading", feature=name, place=place, mapped=mapped)
            decorated = self._decorated(known, candidate)
            if decorated is not None:
                return replace(decorated, place=place)
        loose = self._role(known, stem)
        # "Messwert 2" of a long file, or of a plan with one feature.
        return replace(loose, place=place) if loose.role == "reading" else None

    def _feature_of(self, text: str) -> str | None:
        mapped = self._mapped_feature(text)
        return mapped or self.names.get(words.key(text))

    def _mapped_feature(self, text: str) -> str | None:
        mapped = self.mapped.get(_flat(text)) or self._mapped_bases.get(_flat(text))
        return mapped if mapped in self.names.values() else None

    def _decorated(self, known: Column, base: str) -> Column | None:
        tokens = [t for t in _SPLIT.split(base) if t]
        if len(tokens) < 2:
            return None
        for rest, extra in ((tokens[:-1], tokens[-1]), (tokens[1:], tokens[0])):
            name = self._feature_of(" ".join(rest))
            if name is None:
                continue
            said = words.key(extra) or extra.casefold()
            if said in words.DEVIATION_WORDS or extra == "Δ":
                return replace(known, role="reading", feature=name, kind="deviation")
            if said in words.ACTUAL_WORDS:
                return replace(known, role="reading", feature=name, kind="actual")
            if said in words.SIZE_WORDS:
                return replace(known, role="reading", feature=name)
        return None

    def _role(self, known: Column, base: str) -> Column:
        if known.header.strip() in ("#", "№", "Nº", "N°"):
            return replace(known, role="part")
        role = words.ROLES.get(words.key(base)) or words.ROLES.get(words.key(known.header), "")
        if role == "deviation":
            return replace(known, role="reading", kind="deviation")
        return replace(known, role=role)


def _flat(text: str) -> str:
    return " ".join(text.split()).casefold()


def split_unit(header: str) -> tuple[str, str | None]:
    """
    A header without the unit written in it, and that unit.

    Examples
    --------
    >>> split_unit("seat A (in)"), split_unit("Ø1 [mm]"), split_unit("seat A, µm")
    (('seat A', 'in'), ('Ø1', 'mm'), ('seat A', 'um'))
    >>> split_unit("seat A")
    ('seat A', None)
    """
    for match in _BRACKETED.finditer(header):
        unit = unit_named(match[1])
        if unit is not None:
            rest = f"{header[: match.start()]} {header[match.end() :]}".strip()
            return rest, unit
    last = re.match(r"^(.*\S)[\s_,;:/]+([^\s_,;:/]+)$", header.strip(), re.DOTALL)
    unit = unit_named(last[2]) if last else None
    if last and unit:
        rest = re.sub(r"[\s,]+in$", "", last[1]) if unit != "in" else last[1]
        return rest.rstrip(" ,;:/_"), unit
    sign = re.match(r'^(.*\S)\s*(["″”])$', header.strip(), re.DOTALL)
    return (sign[1], "in") if sign else (header, None)


def layout(headers: Sequence[str], lexicon: Lexicon) -> Layout | None:
    """
    The meaning of all columns; None when no column holds readings.

    Parameters
    ----------
    headers : sequence of str
        As written.
    lexicon : Lexicon
        Of the plan.
    """
    columns = [lexicon.column(i, header) for i, header in enumerate(headers)]
    columns = _one_clock(_mapped_first(columns))
    named = [c for c in columns if c.role == "reading" and c.feature]
    loose = [c for c in columns if c.role == "reading" and not c.feature]
    if named:
        columns = [_unused(c) if c in loose else c for c in columns]
        return Layout(_only_one_each(_side_by_side(columns)), long=False)
    long = any(c.role == "feature" for c in columns)
    name = lexicon.only_feature or lexicon.only_size
    if not loose or (not long and name is None):
        return None
    keep = _one_reading(loose)
    columns = [
        _unused(c) if c in loose and c not in keep else
        replace(c, feature=None if long else name) if c in keep else c
        for c in columns
    ]  # fmt: skip
    return Layout(_only_one_each(_side_by_side(columns)), long=long)


def _one_reading(loose: list[Column]) -> list[Column]:
    """Of several columns of readings without a feature: numbered ones, or the one that is best."""
    numbered = [c for c in loose if c.place > 0]
    if len(numbered) > 1:
        return numbered
    return [next((c for c in loose if c.kind != "deviation"), loose[0])]


def _mapped_first(columns: list[Column]) -> list[Column]:
    """What the plan maps by its header is not looked for by its name."""
    mapped = {(c.role, c.feature) for c in columns if c.mapped}
    return [_unused(c) if (c.role, c.feature) in mapped and not c.mapped else c for c in columns]


def _unused(column: Column) -> Column:
    return replace(column, role="", feature=None)


def _one_clock(columns: list[Column]) -> list[Column]:
    """With a date column, a column named time holds the clock."""
    roles = [c.role for c in columns]
    if "date" in roles and "time" in roles and "clock" not in roles:
        return [replace(c, role="clock") if c.role == "time" else c for c in columns]
    if "date" in roles and "clock" not in roles and "time" not in roles:
        return [replace(c, role="time") if c.role == "date" else c for c in columns]
    if "date" in roles and "time" in roles:
        # A full time stamp needs neither of the two beside it.
        return [_unused(c) if c.role in ("date", "clock") else c for c in columns]
    if "clock" in roles and "date" not in roles and "time" not in roles:
        return [replace(c, role="time") if c.role == "clock" else c for c in columns]
    return columns


def _side_by_side(columns: list[Column]) -> list[Column]:
    """Number the readings of one feature 0, 1, 2 ... by the number in their header."""
    done = list(columns)
    for name in {c.feature for c in columns if c.role == "reading"}:
        own = [c for c in columns if c.role == "reading" and c.feature == name]
        if any(c.kind != "deviation" for c in own):
            # A deviation beside the size it was computed from is not a second reading.
            for extra in (c for c in own if c.kind == "deviation"):
                done[extra.index] = _unused(extra)
            own = [c for c in own if c.kind != "deviation"]
        for place, column in enumerate(sorted(own, key=lambda c: (c.place, c.index))):
            done[column.index] = replace(column, place=place)
    return done


def _only_one_each(columns: list[Column]) -> tuple[Column, ...]:
    seen: set[str] = set()
    kept = []
    for column in columns:
        # Which of several part columns numbers the parts is told by their cells.
        if column.role in seen and column.role not in ("", "reading", "part"):
            column = _unused(column)
        seen.add(column.role)
        kept.append(column)
    return tuple(kept)
