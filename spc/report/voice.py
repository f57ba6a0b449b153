"""How a study is said: every sentence from one file, every number turned into text once."""

import math
import re
import tomllib
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

from spc.errors import SpcError
from spc.plan import Feature
from spc.units import UM_PER_UNIT

TEXTS = Path(__file__).parent / "texts"
#: Languages and regions that write a decimal point; the others write a comma (Unicode CLDR, from
#: memory). A region settles it before its language does.
POINT_LANGUAGES = frozenset({"c", "en", "ga", "he", "hi", "ja", "ko", "ms", "ta", "th", "zh"})
POINT_REGIONS = frozenset({"de_CH", "de_LI", "es_MX", "es_US", "it_CH", "ur_PK"})
COMMA_REGIONS = frozenset({"en_ZA"})
_MINUS = "−"
#: Parts named in a sentence of the adviser; a feature's own name is no such thing.
_NAMED = re.compile(r"(?<= of )part (\d{1,9})\b|\bparts (\d{1,9}) to (\d{1,9})\b")


@dataclass(frozen=True)
class Voice:
    """
    The texts of one language and the decimal mark of one place.

    Attributes
    ----------
    texts : dict of str
        ``"section.key"`` to sentence, with slots in braces.
    mark : str
        Decimal mark of what is shown: "." or ",".
    zone : ZoneInfo
        Local time of the shop.
    """

    texts: dict[str, str]
    mark: str
    zone: ZoneInfo

    def say(self, key: str, **slots: object) -> str:
        """The sentence under `key`, its slots filled; KeyError when the language lacks it."""
        return self.texts[key].format(**slots)

    def count(self, key: str, n: int, **slots: object) -> str:
        """The sentence under `key` for `n` of something; for one, that under ``key_one``."""
        return self.say(f"{key}_one" if n == 1 else key, n=n, **slots)

    def number(self, value: float, digits: int, *, signed: bool = False) -> str:
        """
        A number as text with that many digits after the mark and a true minus sign.

        Examples
        --------
        >>> Voice({}, ",", ZoneInfo("UTC")).number(-3.04, 1)
        '−3,0'
        """
        if not math.isfinite(value):
            return self.texts.get("page.unknown", "unknown")
        rounded = round(float(value), digits) + 0.0  # no minus before a zero
        text = f"{rounded:+.{digits}f}" if signed and rounded else f"{rounded:.{digits}f}"
        return text.replace("-", _MINUS).replace(".", self.mark)

    def where_typed(self, register: str) -> str:
        """Where an offset is typed: its register, where the plan names one."""
        if not register:
            return self.say("next.typed_axis")
        return self.say("next.typed_register", register=tame(register, 40))

    def typed(self, amount: float, unit: str, *, signed: bool = False) -> str:
        """
        An amount as it is typed or swivelled, or minutes to wait.

        Four digits in mm and five in inches hold a tenth of a µm; half of a fine step needs more.

        Examples
        --------
        >>> voice = Voice({}, ".", ZoneInfo("UTC"))
        >>> voice.typed(-0.005, "mm"), voice.typed(-0.00525, "mm"), voice.typed(0.25, "um")
        ('−0.0050 mm', '−0.00525 mm', '0.25 µm')
        >>> voice.typed(0.000125, "mm"), voice.typed(0.125 / 25400, "in")
        ('0.000125 mm', '0.000005 in')
        """
        digits = {"mm": 4, "in": 5, "min": 0}.get(unit, 1)
        # No step of a control is finer than an eighth of a µm; in inches no step is a round number.
        near = 1e-9 if unit in ("mm", "um") else 0.5 * abs(amount)
        while abs(amount - round(amount, digits)) > near and digits < 6:
            digits += 1
        shown = self.number(amount, digits, signed=signed)
        return f"{shown} {'µm' if unit == 'um' else unit}".strip()

    def um(self, value: float, digits: int, *, signed: bool = False) -> str:
        """Micrometres with their unit."""
        return f"{self.number(value, digits, signed=signed)} µm"

    def size(self, feature: Feature, deviation_um: float, step_um: float) -> str:
        """The absolute size in the plan's unit, with the digits that a step supports."""
        if feature.nominal_mm is None:
            return self.um(deviation_um, digits_for(step_um))
        scale = float(UM_PER_UNIT[feature.unit])
        size = (feature.nominal_mm * 1000 + deviation_um) / scale
        unit = {"um": "µm"}.get(feature.unit, feature.unit)
        return f"{self.number(size, digits_for(step_um / scale))} {unit}"

    def retell(self, text: str, limit: int = 600) -> str:
        """
        A sentence from another room: harmless, with a true minus and this place's decimal mark.

        Examples
        --------
        >>> Voice({}, ",", ZoneInfo("UTC")).retell("a move of -2.0 µm by ISO 286-1")
        'a move of −2,0 µm by ISO 286-1'
        """
        minus = re.sub(r"(?<![\w-])-(?=\d)", _MINUS, tame(text, limit))
        return re.sub(r"(?<![\d.])(\d+)\.(\d+)(?![\d.])", rf"\1{self.mark}\2", minus)

    def share(self, value: float) -> str:
        """A fraction as per cent, with one digit below ten per cent and two below one."""
        percent = 100 * value
        digits = 0 if abs(percent) >= 10 or not percent else 1 if abs(percent) >= 1 else 2
        return f"{self.number(percent, digits)} %"

    def chance(self, p: float) -> str:
        """A p-value; below a thousandth its digits mean nothing."""
        if p < 0.001:
            return self.say("proof.below", value=self.number(0.001, 3))
        return self.number(p, 3)

    def clock(self, moment: datetime) -> str:
        """Hours and minutes of the shop."""
        return f"{moment.astimezone(self.zone):%H:%M}"

    def day_and_clock(self, moment: datetime) -> str:
        """Date, hours, minutes of the shop and their offset from UTC."""
        local = moment.astimezone(self.zone)
        offset = f"{local:%z}"
        return f"{local:%Y-%m-%d %H:%M} {offset[:3]}:{offset[3:]}"

    def utc(self, moment: datetime) -> str:
        """The instant in UTC."""
        return f"{moment.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"

    def age(self, seconds: float) -> str:
        """How long ago, in the largest unit that says it."""
        minutes, hours, _, days = self.say("board.units").split("|")
        for unit, size in ((days, 86400), (hours, 3600)):
            if seconds >= 2 * size:
                return f"{int(seconds // size)} {unit}"
        return f"{int(seconds // 60)} {minutes}"


def voice(
    *, locale: str | None = None, zone: ZoneInfo | None = None, language: str = "english"
) -> Voice:
    """
    The voice for a locale such as ``de`` or ``en_GB.UTF-8``; English with a point when unsaid.

    Raises
    ------
    SpcError
        When `locale` is not written like a locale.
    """
    return Voice(_texts(language), mark_of(locale), zone or ZoneInfo("UTC"))


def mark_of(locale: str | None) -> str:
    """
    The decimal mark of a locale.

    Examples
    --------
    >>> mark_of("fr_FR.UTF-8"), mark_of("de-CH"), mark_of(None)
    (',', '.', '.')
    """
    if locale is None:
        return "."
    tag = locale.split(".")[0].split("@")[0].replace("-", "_")
    language, _, region = tag.partition("_")
    if not (language.isascii() and language.isalpha() and 1 <= len(language) <= 3):
        raise SpcError(f"locale {locale!r} is not one; write it such as de, en or fr_FR")
    place = f"{language.lower()}_{region.upper()}"
    if place in COMMA_REGIONS:
        return ","
    return "." if language.lower() in POINT_LANGUAGES or place in POINT_REGIONS else ","


def digits_for(step: float) -> int:
    """
    Digits after the mark that a smallest step supports.

    Examples
    --------
    >>> digits_for(0.1), digits_for(0.5), digits_for(1.0), digits_for(0.00005)
    (1, 1, 0, 5)
    """
    if step <= 0:
        return 1
    return max(0, math.ceil(-math.log10(step) - 0.02))


def tame(text: str, limit: int = 200) -> str:
    """
    Foreign text made harmless to read: controls and direction marks shown, not obeyed.

    Examples
    --------
    >>> tame("a" + chr(0x202E) + "b")
    'a⟨U+202E⟩b'
    """
    shown = " ".join(text.split())
    if not shown.isprintable():
        shown = "".join(
            f"⟨U+{ord(c):04X}⟩" if unicodedata.category(c) in ("Cf", "Cs", "Co", "Cc") else c
            for c in shown
        )
    return shown if len(shown) <= limit else shown[: limit - 1] + "…"


def with_tags(words: str, tagged: Callable[[int, int], str]) -> str:
    """
    A sentence of the adviser, which counts parts from 1, with the parts it names told as `tagged`.

    Examples
    --------
    >>> with_tags("seat of part 3 is out; parts 2 to 3 are suspect", lambda a, b: f"#{a}-{b}")
    'seat of #3-3 is out; #2-3 are suspect'
    """
    return _NAMED.sub(lambda m: tagged(int(m[1] or m[2]), int(m[1] or m[3])), words)


def file_name(path: str) -> str:
    r"""
    The last part of a path of either kind; folders of the shop are nobody else's business.

    Examples
    --------
    >>> file_name("C:\\shop\\night.csv"), file_name("/home/kl/night.csv")
    ('night.csv', 'night.csv')
    """
    return tame(path.replace("\\", "/").rstrip("/").rsplit("/", 1)[-1], 120)


@cache
def _texts(language: str) -> dict[str, str]:
    with (TEXTS / f"{language}.toml").open("rb") as file:
        sections = tomllib.load(file)
    return {
        f"{section}.{key}": text
        for section, entries in sections.items()
        for key, text in entries.items()
    }
