"""Colours, shapes and the sheet's own look; and the one door through which text becomes markup.

Colour never carries a meaning alone: every kind of span has its own height and place in the strip, every
outcome of a bar change its own shape. Fills that stand out too little from the paper are outlined in ink.
"""

from dataclasses import dataclass
from html import escape
from typing import Final

import streamlit as st

ROW_PX: Final = 88
"""Height of a machine's row, in the list and in the drawing beside it."""
GAP_PX: Final = 14
"""What of it is space between two rows of the drawing."""
HEAD_PX: Final = 84
"""Height of what stands above the first row in both."""

# Okabe and Ito, Color Universal Design (2008): told apart by people with any common colour blindness.
BLUE: Final = "#0072B2"
SKY: Final = "#56B4E9"
ORANGE: Final = "#E69F00"
VERMILION: Final = "#D55E00"
PURPLE: Final = "#CC79A7"


@dataclass(frozen=True)
class Look:
    """One sheet of paper and what is printed on it.

    Attributes
    ----------
    paper, ink, faint, rule : str
        Background, text, secondary text, hairlines.
    producing, reloading, setting, stopped, no_signal : str
        Fills of the span kinds.
    """

    paper: str
    ink: str
    faint: str
    rule: str
    producing: str
    reloading: str
    setting: str
    stopped: str
    no_signal: str

    def fill(self, kind: str) -> str:
        """Fill of a span kind."""
        return getattr(self, kind.replace(" ", "_"))


LIGHT: Final = Look("#FCFBF8", "#1B1D1F", "#5B6066", "#C9C6BE", BLUE, ORANGE, PURPLE, VERMILION, "#6B7075")
DARK: Final = Look("#15181B", "#ECEAE4", "#A6A9AD", "#3A3F44", SKY, ORANGE, PURPLE, VERMILION, "#9BA0A5")

DASH: Final = "–"
"""Not known, or not measured."""

SHADES: Final = 20
"""Steps between a cell without a shade and the darkest one."""
DARKEST: Final = 0.75
"""How much of its colour the darkest has."""

OUTLINED: Final = ("reloading", "setting")
"""Kinds drawn with an outline of ink: their fills are too close to white paper."""


def look() -> Look:
    """The look of the theme the browser shows; light until it has said so."""
    return DARK if st.context.theme.type == "dark" else LIGHT


# --- contrast ------------------------------------------------------------------------------------


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, from 1 to 21.

    Parameters
    ----------
    one, other : str
        ``#RRGGBB``.

    References
    ----------
    Web Content Accessibility Guidelines 2.1, "contrast ratio" and "relative luminance".

    Examples
    --------
    >>> contrast("#000000", "#FFFFFF")
    21.0
    """
    darker, lighter = sorted((_luminance(one), _luminance(other)))
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    red, green, blue = (_linear(int(colour[at : at + 2], 16) / 255) for at in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _linear(channel: float) -> float:
    return channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4


# --- markup --------------------------------------------------------------------------------------


class Markup(str):
    """Text that is markup already."""

    __slots__ = ()


def markup(template: str, **values: object) -> Markup:
    """Put values into a template of ours; whatever is no `Markup` is escaped.

    Examples
    --------
    >>> markup("<b>{name}</b>", name="<script>")
    '<b>&lt;script&gt;</b>'
    """
    safe = {key: value if isinstance(value, Markup) else escape(str(value)) for key, value in values.items()}
    return Markup(template.format(**safe))


def joined(pieces: list[Markup]) -> Markup:
    """Several pieces as one."""
    return Markup("".join(pieces))


def write(piece: Markup) -> None:
    """Show markup on the page."""
    st.html(piece)


_RULES: Final = """<style>
.block-container { padding: 2.7rem 1.6rem 2rem; max-width: 1500px; }
[data-testid="stHeader"] { height: 2.4rem; min-height: 2.4rem; }
[data-testid="stVerticalBlock"] { gap: 0.6rem; }
.rl-night { font-size: 1.25rem; font-weight: 650; line-height: 1.2; }
.rl-when { font-size: 0.87rem; opacity: 0.82; line-height: 1.35; margin-top: 2px; }
.rl-lead { border-left: 6px solid currentColor; padding: 1px 0 3px 14px; }
.rl-lead b { font-size: 1.95rem; font-weight: 720; letter-spacing: -0.01em; line-height: 1.15; }
.rl-lead span { font-size: 1.2rem; margin-left: 0.6rem; }
.rl-lead div { font-size: 0.87rem; opacity: 0.82; margin-top: 1px; }
.rl-list { font-variant-numeric: tabular-nums; margin-right: 4px; }
.rl-list a { color: inherit; text-underline-offset: 3px; text-decoration-thickness: 1px; }
.rl-head, .rl-row { display: grid; grid-template-columns: 66px minmax(0, 1fr) 82px 64px; column-gap: 10px; }
.rl-head { height: VARHEADpx; align-items: end; padding-bottom: 5px; font-size: 0.78rem; opacity: 0.82;
  line-height: 1.2; box-sizing: border-box; }
.rl-row { height: VARROWpx; border-top: 1px solid rgba(128, 128, 128, 0.45); padding-top: 6px; box-sizing: border-box;
  overflow: hidden; line-height: 1.25; }
.rl-name { overflow-wrap: anywhere; font-size: 1.12rem; font-weight: 650; }
.rl-name small { display: block; font-weight: 400; font-size: 0.78rem; opacity: 0.82; }
.rl-what { font-size: 0.93rem; overflow-wrap: anywhere; max-height: 5em; overflow: hidden; }
.rl-what small { display: block; font-size: 0.78rem; font-weight: 400; opacity: 0.82; margin-top: 2px; }
.rl-first .rl-name { overflow-wrap: anywhere; font-size: 1.45rem; font-weight: 760; line-height: 1.05; }
.rl-first .rl-what { font-weight: 600; }
.rl-now { display: inline-block; border: 1.5px solid currentColor; padding: 0 5px; font-size: 0.78rem; font-weight: 650;
  margin-right: 6px; white-space: nowrap; }
.rl-number { text-align: right; font-size: 1.02rem; white-space: nowrap; }
.rl-head .rl-number { font-size: 0.78rem; }
.rl-number small { display: block; font-size: 0.78rem; opacity: 0.82; }
[class*="st-key-drawing"] { padding-right: 72px; box-sizing: border-box; }
.rl-list, .rl-facts, .rl-facts * { line-height: 1.3; }
.rl-facts { display: grid; margin: 0 !important; padding: 0 !important; gap: 3px 18px;
  grid-template-columns: max-content minmax(0, 1fr); font-size: 0.95rem; font-variant-numeric: tabular-nums;
  overflow-wrap: anywhere; }
.rl-facts dt { opacity: 0.82; } .rl-facts dt, .rl-facts dd { margin: 0 !important; padding: 0; }
.rl-section { font-size: 1.15rem; font-weight: 650; border-top: 2px solid currentColor; padding: 5px 0 0 !important;
  margin: 14px 0 0 !important; }
.rl-note { font-size: 0.87rem; opacity: 0.82; max-width: 95ch; }
.rl-lines { margin: 0 !important; padding: 0 0 0 1.1rem !important; font-size: 0.95rem; line-height: 1.35;
  max-width: 120ch; overflow-wrap: anywhere; }
.rl-lines li { margin: 0 0 4px !important; padding: 0; font-size: inherit; }
.rl-lines a { color: inherit; text-underline-offset: 3px; text-decoration-thickness: 1px; white-space: nowrap; }
.rl-lines small { display: block; font-size: 0.82rem; opacity: 0.82; }
.rl-small { font-size: 0.78rem; opacity: 0.85; line-height: 1.35; }
.rl-cautions { border-top: 1px solid rgba(128, 128, 128, 0.45); padding-top: 8px; margin-top: 20px; font-size: 0.82rem;
  opacity: 0.85; max-width: 110ch; line-height: 1.4; }
.rl-cautions p { margin: 0 0 4px; font-size: inherit; }
.rl-told { font-size: 0.93rem; margin-bottom: 6px; } .rl-told b { font-weight: 650; }
.rl-told ul { margin: 2px 0 0 !important; padding-left: 1.1rem !important; }
.rl-told li { margin: 0 0 3px !important; font-size: 0.93rem; line-height: 1.3; }
.rl-grid { border-collapse: collapse; width: 100%; font-size: 0.87rem; font-variant-numeric: tabular-nums; }
.rl-grid th, .rl-grid td { text-align: right; padding: 4px 8px 4px 0 !important; border: 0 !important;
  border-bottom: 1px solid rgba(128, 128, 128, 0.35) !important; font-weight: 400; vertical-align: bottom; }
.rl-grid th[scope="col"] { font-size: 0.78rem; opacity: 0.82; } .rl-grid th:first-child { text-align: left; }
.rl-grid th[scope="row"] { font-weight: 650; } .rl-grid td { white-space: nowrap; }
[data-testid="stLayoutWrapper"]:has(> .st-key-links) { position: absolute; }
.rl-far { content-visibility: auto; }
.rl-tiles { border-collapse: collapse; table-layout: fixed; width: 100%; font-size: 0.78rem; line-height: 1;
  font-variant-numeric: tabular-nums; print-color-adjust: exact; -webkit-print-color-adjust: exact; }
.rl-tiles caption { text-align: left; font-size: 0.87rem; padding: 0 0 6px; caption-side: top; color: inherit; }
.rl-tiles th, .rl-tiles td { border: 1px solid rgba(128, 128, 128, 0.35) !important; text-align: center;
  font-weight: 400; padding: 0 !important; height: 22px; overflow: hidden; }
.rl-tiles thead th { border-width: 0 1px !important; vertical-align: bottom; padding: 2px 0 !important; }
.rl-tiles thead tr + tr th span { writing-mode: vertical-rl; transform: rotate(180deg); white-space: nowrap;
  max-height: 9em; overflow: hidden; }
.rl-tiles thead th:first-child[rowspan], .rl-tiles th[scope="row"] { text-align: left; width: 5.5rem;
  border-left: 0 !important; overflow-wrap: anywhere; }
.rl-tiles th[scope="row"] { font-weight: 650; }
VARSHADES
.rl-row a { text-decoration-color: rgba(128, 128, 128, 0.8); }
[class*="st-key-picture"] { gap: 0 1.1rem; justify-content: flex-end; margin-top: -0.9rem; }
[class*="st-key-picture"] button { min-height: 1.5rem; padding: 0; }
[class*="st-key-picture"] button p { font-size: 0.78rem; text-decoration: underline; text-underline-offset: 3px; }
[data-testid="stDownloadButtonError"]::after { content: ". Load the page anew and try again; the window in which runlog"
  " dashboard runs tells why."; }
.rl-new { border-left: 3px dotted currentColor; padding-left: 14px; font-size: 0.93rem; }
@media (max-width: 1000px) {
  .rl-head, .rl-row { grid-template-columns: 42px minmax(0, 1fr) 60px 38px; column-gap: 6px; }
  .rl-name, .rl-first .rl-name { font-size: 1rem; } .rl-what { font-size: 0.82rem; } .rl-what small { display: none; }
  .rl-number { font-size: 0.93rem; } .rl-head, .rl-head .rl-number { font-size: 0.72rem; }
  .rl-lead b { font-size: 1.6rem; } [class*="st-key-drawing"] { padding-right: 84px; } }
@media (prefers-color-scheme: light) { [data-testid="stButtonGroup"] button p { color: #1B1D1F !important; } }
@media print {
  [data-testid="stHeader"], .stSelectbox, .stButton, .stFormSubmitButton, .stForm, .st-key-tables, .st-key-door,
  .stDownloadButton, [class*="st-key-picture"] {
    display: none !important; }
  [data-testid="stHorizontalBlock"] { display: flex !important; flex-flow: row nowrap !important; }
  [data-testid="stColumn"] { min-width: 0 !important; }
  [data-testid="stMain"] { zoom: 0.58; } [data-testid="stElementContainer"] { break-inside: avoid; }
  .block-container { padding: 0 !important; max-width: none !important; }
  .rl-cautions { margin-top: 6px; font-size: 0.7rem; }
  @page { size: A4 portrait; margin: 10mm; } }
@media (max-width: 640px) { .rl-head { height: auto; } .rl-row { height: auto; padding-bottom: 8px; } }
</style>"""


def _shades() -> str:
    """Rules of the shades of a cell, from none to short of the whole plan; the same on both kinds of paper."""
    red, green, blue = (int(LIGHT.stopped[at : at + 2], 16) for at in (1, 3, 5))
    parts = ((step, DARKEST * step / SHADES) for step in range(SHADES + 1))
    return "\n".join(
        f".rl-shade-{step} {{ background: rgba({red}, {green}, {blue}, {part:.4f}); }}" for step, part in parts
    )


STYLE: Final = _RULES.replace("VARHEAD", str(HEAD_PX)).replace("VARROW", str(ROW_PX)).replace("VARSHADES", _shades())
