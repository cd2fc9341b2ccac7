"""Colours, sizes and the style sheet; one family for stakes, vermilion for danger to people and for broken custody."""

from dataclasses import dataclass
from typing import Any

import streamlit as st


@dataclass(frozen=True)
class Palette:
    """The colours of one mode. Text stands at 4.5 : 1 or more on the paper, marks at 3 : 1 or more."""

    ink: str
    paper: str
    faint: str  # text of the second rank
    rule: str  # hairlines
    shade: str  # hours of voting
    accent: str  # what can be pressed
    on_accent: str  # words on it
    estimate: str  # lines and bands
    danger: str
    stakes: tuple[str, ...]  # light to dark: ochre to umber, one hue, told apart in grey print


LIGHT = Palette(
    ink="#1d232b",
    paper="#fbfaf6",
    faint="#565e68",
    rule="#d9d4c7",
    shade="#f0ede4",
    accent="#0b62a4",
    on_accent="#ffffff",
    estimate="#33475b",
    danger="#c4451c",
    stakes=("#f3dfb0", "#dfb45a", "#b9822c", "#855313", "#4a2a06"),
)
DARK = Palette(
    ink="#e8e6df",
    paper="#15191e",
    faint="#a9b0b8",
    rule="#3a424b",
    shade="#1d232a",
    accent="#6db3e8",
    on_accent="#0d1620",
    estimate="#b6c8da",
    danger="#f07a52",
    stakes=("#4d3a1c", "#7d5a22", "#b4812f", "#dcae58", "#f6deac"),
)
FONT = "system-ui, 'Segoe UI', Roboto, 'DejaVu Sans', sans-serif"


def palette() -> Palette:
    """The palette of the mode that the reader's browser shows."""
    try:
        return DARK if st.context.theme.type == "dark" else LIGHT
    except AttributeError:  # outside of a browser, as in tests
        return LIGHT


def chart_config(colours: Palette) -> dict[str, Any]:
    """What every chart has in common."""
    axis = {
        "labelColor": colours.faint,
        "titleColor": colours.faint,
        "labelFont": FONT,
        "titleFont": FONT,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "gridColor": colours.rule,
        "gridOpacity": 0.6,
        "domainColor": colours.rule,
        "tickColor": colours.rule,
    }
    return {
        "background": "transparent",
        "font": FONT,
        "view": {"stroke": None},
        "axis": axis,
        "text": {"color": colours.ink, "font": FONT, "fontSize": 12},
        "legend": {"labelColor": colours.ink, "titleColor": colours.faint, "labelFontSize": 12, "titleFontSize": 12},
    }


def style_sheet(colours: Palette) -> str:
    """The page's own rules: three sizes (28, 16, 13 px), tabular figures, visible focus."""
    return f"""<style>
.block-container {{padding: 3.7rem 2.2rem 2rem 2.2rem; max-width: 1760px;}}
.wb {{color: {colours.ink}; font-size: 16px; line-height: 1.35; font-variant-numeric: tabular-nums;}}
.wb p {{margin: 0 0 2px 0;}}
.wb .small, .wb.small {{font-size: 13px; color: {colours.faint};}}
.wb .big {{font-size: 28px; line-height: 1.15; font-weight: 600;}}
.wb b {{font-weight: 600;}}
.wb .danger {{color: {colours.danger}; font-weight: 600;}}
.wb-head {{display: flex; flex-wrap: wrap; gap: 2px 22px; align-items: baseline;}}
.wb-facts {{display: flex; flex-wrap: wrap; gap: 4px 16px; padding: 2px 0 4px 0;
  border-top: 1px solid {colours.rule}; border-bottom: 1px solid {colours.rule};}}
.wb-facts .said {{font-size: 13px; color: {colours.faint}; max-width: 12.8em; line-height: 1.2;}}
.wb-facts .more {{font-size: 16px; font-weight: 400;}}
.wb-line {{min-height: 96px;}}
[data-testid="stVerticalBlock"] {{gap: .55rem;}}
.wb-item {{display: grid; grid-template-columns: 22px minmax(0, 1.35fr) minmax(0, 1fr); gap: 0 12px;
  padding: 3px 0 0 0; border-top: 1px solid {colours.rule}; font-size: 15px; line-height: 1.25;}}
.wb-item.one {{grid-template-columns: 26px minmax(0, 1fr);}}
.wb-item .rank {{font-size: 16px; font-weight: 600; color: {colours.faint};}}
.wb-item .where {{font-weight: 600;}}
.wb-item .title {{grid-column: 2 / 4;}}
.wb-item .facts {{grid-column: 2;}}
.wb-item .do {{font-size: 14.5px;}}
.wb-item .done {{color: {colours.accent};}}
.wb-item .wb-caution {{grid-column: 2 / 4; margin-top: 2px;}}
.wb-why {{padding: 0 0 4px 34px;}}
.wb-under {{margin: -8px 0 0 34px;}}
[data-testid="stElementContainer"]:has(h1), [data-testid="stHeading"]:has(h1) {{
  position: absolute !important; left: 0; width: 1px !important; min-width: 0 !important; overflow: hidden;}}
.wb-caution {{font-size: 12px; line-height: 1.25; border-left: 3px solid {colours.faint}; padding-left: 8px;
  align-self: start;}}
.wb-caution.danger-to-life {{border-left-color: {colours.danger};}}
[class*="st-key-acts-"] {{padding-top: 4px;}}
[class*="st-key-acts-"] button {{min-height: 28px; padding: 2px 8px;}}
[class*="st-key-acts-"] button p {{font-size: 14px; line-height: 1.2;}}
.wb a {{color: inherit; text-decoration-color: {colours.accent}; text-underline-offset: 3px;}}
.wb-empty {{font-size: 16px; color: {colours.faint}; padding: 6px 0;}}
.wb-table {{border-collapse: collapse; width: 100%; font-size: 13px; font-variant-numeric: tabular-nums;}}
.wb-table th {{text-align: left; font-weight: 600; color: {colours.faint}; border-bottom: 1px solid {colours.rule};
  padding: 2px 8px 2px 0;}}
.wb-table td {{border-bottom: 1px solid {colours.rule}; padding: 3px 8px 3px 0; vertical-align: top;}}
.wb-table .number {{text-align: right;}}
[class*="st-key-rover-buttons"] button {{min-height: 60px;}}
[class*="st-key-rover-buttons"] button p {{font-size: 20px;}}
[data-testid^="stBaseButton-primary"]:enabled, [data-testid^="stBaseButton-primary"]:enabled p,
.stMultiSelect span[title], .stMultiSelect span[title] + * {{color: {colours.on_accent} !important;}}
[data-testid^="stBaseButton"]:disabled, [data-testid^="stBaseButton"]:disabled p {{
  color: {colours.faint} !important;}}
.st-key-tone {{position: absolute; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%);}}
[data-testid="stElementContainer"]:has(.wb-unsent) {{position: absolute;}}
.wb-unsent {{display: none; position: fixed; left: 0; right: 0; bottom: 0; z-index: 1000000; padding: 10px 16px;
  background: {colours.danger}; color: {colours.paper}; font-weight: 600;}}
[data-testid="stApp"]:not([data-test-connection-state="CONNECTED"]) .wb-unsent {{display: block;}}
[data-testid="stToastContainer"] {{top: auto !important; bottom: 16px !important;}}
.wb-notice {{border: 1px solid {colours.accent}; border-left-width: 4px; padding: 6px 10px; font-size: 13px;}}
.wb-steps {{margin: 2px 0 6px 0; padding-left: 22px; font-size: 13px; line-height: 1.4;}}
.wb .struck {{text-decoration: line-through;}}
h1 {{position: absolute !important; width: 1px; height: 1px; overflow: hidden; clip-path: inset(50%);}}
.wb h2 {{font-size: 16px !important; font-weight: 600; padding: 8px 0 0 0 !important; margin: 0;}}
a:focus-visible, button:focus-visible, summary:focus-visible {{
  outline: 2px solid {colours.accent}; outline-offset: 2px;}}
@media (max-width: 900px) {{.wb-facts > div {{width: 46%;}} .block-container {{padding: 3.4rem .8rem 2rem .8rem;}}
  .wb-under {{margin: 0 0 0 34px;}} .wb-item {{grid-template-columns: 22px minmax(0, 1fr);}}
  .wb-item > div, .wb-item > p {{grid-column: 2 !important;}} .wb-item > .rank {{grid-column: 1 !important;}}}}
@media (min-width: 2200px) {{.wb, .wb-table, .wb-caution {{zoom: 1.6;}}}}
@media print {{[data-testid="stHeader"], .stButton, .stDownloadButton, [data-testid="stPopover"], .stCheckbox,
  [data-testid="stButtonGroup"], .stTextInput, .stSelectbox {{display: none !important;}}
  .wb-item, .wb-under {{break-inside: avoid;}}}}
</style>"""
