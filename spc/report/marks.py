"""The shape and colour of each action: as inline SVG for the page, as a marker for figures."""

from dataclasses import dataclass, replace

from markupsafe import Markup


@dataclass(frozen=True)
class Mark:
    """
    One shape.

    `color` names a colour of the palette; `drawn` is the SVG inside a 24 × 24 box; `symbol` and
    `glyph` are the same shape as a Plotly marker with a character on it. What was done or seen is
    filled; what was only advised is `hollow`.
    """

    color: str
    drawn: str
    symbol: str
    glyph: str = ""
    hollow: bool = False

    def svg(self, *, size: str = "1em", label: str = "") -> Markup:
        """The shape as inline SVG; without a label it is hidden from readers of the page."""
        named = 'role="img" aria-label="{}"' if label else 'aria-hidden="true"{}'
        opening = '<svg class="mark c-{}" width="{}" height="{}" viewBox="0 0 24 24" '
        return Markup(opening + named + ">" + self.drawn + "</svg>").format(
            self.color, size, size, label
        )


_DISC = '<circle cx="12" cy="12" r="10" fill="currentColor"/>'
_TRIANGLE = '<path d="M12 2 23 22H1Z" fill="currentColor"/>'
_ARROW = (
    '<rect x="1" y="1" width="22" height="22" fill="currentColor"/>'
    '<path d="M12 5v14M7 10l5-5 5 5" fill="none" stroke="var(--paper)" stroke-width="2.6"/>'
)
_ARROW_DOWN = _ARROW.replace("M12 5v14M7 10l5-5 5 5", "M12 19V5M7 14l5 5 5-5")
_DIAMOND = '<path d="M12 0 24 12 12 24 0 12Z" fill="currentColor"/>'
_RING = '<circle cx="12" cy="12" r="9" fill="none" stroke="currentColor" stroke-width="4"/>'
_THIN_RING = '<circle cx="12" cy="12" r="7" fill="none" stroke="currentColor" stroke-width="2"/>'
_BARRED = (
    '<rect x="1" y="1" width="22" height="22" fill="currentColor"/>'
    '<path d="M4 12h16" stroke="var(--paper)" stroke-width="4.5"/>'
)

MARKS = {
    "grind_on": Mark("go", _DISC, "circle"),
    "measure_again": Mark("ask", _TRIANGLE, "triangle-up"),
    "check": Mark("ask", _TRIANGLE, "triangle-up"),
    "offset": Mark("act", _ARROW, "square", "↑"),
    "offset_down": Mark("act", _ARROW_DOWN, "square", "↓"),
    "swivel": Mark("act", _ARROW, "square", "↑"),
    "dress": Mark("act", _DIAMOND, "diamond"),
    "let_it_warm": Mark("ink", _RING, "circle-open"),
    "hold": Mark("hold", _BARRED, "square", "–"),
    "excluded": Mark("ink", _THIN_RING, "circle", hollow=True),
}
#: Ending of the mark of an act that was advised, whether or not it was done.
ADVISED = "_advised"


def _outlined(mark: Mark) -> Mark:
    outline = 'fill="var(--paper)" stroke="currentColor" stroke-width="2.4"'
    drawn = mark.drawn.replace('stroke="var(--paper)"', 'stroke="currentColor"')
    return replace(mark, drawn=drawn.replace('fill="currentColor"', outline), hollow=True)


MARKS |= {
    f"{key}{ADVISED}": _outlined(MARKS[key])
    for key in ("measure_again", "check", "offset", "offset_down", "swivel", "dress", "hold")
}


def mark_key(action: str, amount_um: float | None) -> str:
    """
    The mark of an act: an offset that makes parts smaller points down.

    Examples
    --------
    >>> mark_key("offset", -3.0), mark_key("dress", None)
    ('offset_down', 'dress')
    """
    return "offset_down" if action == "offset" and (amount_um or 0) < 0 else action


def advised_key(action: str, amount_um: float | None) -> str:
    """
    The mark of an act that was advised.

    Examples
    --------
    >>> advised_key("offset", -3.0), advised_key("let_it_warm", None)
    ('offset_down_advised', 'let_it_warm')
    """
    key = mark_key(action, amount_um)
    return f"{key}{ADVISED}" if f"{key}{ADVISED}" in MARKS else key


def action_of(mark: str) -> str:
    """
    The act that a mark stands for.

    Examples
    --------
    >>> action_of("offset_down_advised"), action_of("dress")
    ('offset', 'dress')
    """
    return mark.removesuffix(ADVISED).removesuffix("_down")
