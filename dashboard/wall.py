"""The wall: large type, no controls, turning by itself through chosen pages; all of it in the address.

`?wall=now,lines,power&turn=20` shows those pages, twenty seconds each.
"""

import streamlit as st

from dashboard.navigation import ON_WALL

SECONDS, LEAST_SECONDS = 20, 5  # a page, unless asked otherwise, and at least [s]; our choice
ZOOM = 1.35  # of type on the wall; our choice


def asked() -> list[str]:
    """The pages that the address names, none where it asks for no wall."""
    named = str(st.query_params.get("wall") or "").split(",")
    return [name for name in named if name in ON_WALL]


def seconds() -> int:
    """How long a page stays."""
    text = str(st.query_params.get("turn") or "")
    return max(int(text), LEAST_SECONDS) if text.isdigit() and len(text) < 5 else SECONDS


def following(pages: list[str], shown: str) -> str:
    """The page after the one that is shown."""
    return pages[(pages.index(shown) + 1) % len(pages)] if shown in pages else pages[0]


def style_sheet() -> str:
    """What is larger, and what is not there, on the wall."""
    return f"""<style>
.block-container {{padding-top: 1rem !important;}}
.wb {{zoom: {ZOOM};}}
[data-testid="stElementToolbar"], .vega-embed summary, [class*="st-key-acts-"], [data-testid="stHeader"], .stButton,
.stDownloadButton, [data-testid="stPopover"], .stCheckbox,
.stSelectbox, .stTextInput, .stMultiSelect, [data-testid="stButtonGroup"], .stForm {{display: none !important;}}
</style>"""
