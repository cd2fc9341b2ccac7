"""What has somebody seen or done: a line count, a power note, a step, a unit's reading, counts at the end?"""

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import entering, figures, panels, words
from dashboard.data import Picture
from pipeline.contracts import words as terms
from pipeline.contracts.feeds import schema_of
from pipeline.contracts.moments import rfc3339

KINDS = {
    "line-count": "Line count",
    "power-note": "Power note",
    "step": "Step",
    "reading": "Reading of a unit",
    "end-counts": "End-of-day counts",
}
COUNTS = {name: name.replace("_", " ") for name in schema_of("reconciliation").columns if name != "site_id"}


def choose_site(picture: Picture) -> str | None:
    """The place, by typing a few letters."""
    named = figures.places(picture)
    found: str | None = st.selectbox(
        "Place", list(named), index=None, format_func=named.__getitem__, placeholder="Type a few letters"
    )
    return found


def when(picture: Picture, at: datetime) -> str | None:
    """When it was, by the county's clock: blank is now; a time ahead of now is yesterday's. None if it is no time."""
    text = st.text_input("When (HH:MM of the county's clock; empty: now)", placeholder="now", max_chars=5).strip()
    if not text:
        return rfc3339(at)
    try:
        hour, minute = (int(part) for part in text.split(":"))
        there = at.astimezone(ZoneInfo(picture.zone)).replace(hour=hour, minute=minute, second=0, microsecond=0)
    except ValueError:
        return None
    return rfc3339(there if there <= at + timedelta(minutes=1) else there - timedelta(days=1))


def number(label: str, most: int, column: Any = st) -> int | None:
    """A count; empty is not told."""
    found = column.number_input(label, min_value=0, max_value=most, value=None, step=1)
    return None if found is None else int(found)


def line_count(picture: Picture, at: datetime) -> tuple[str | None, dict[str, Any], list[str]]:
    """Heads counted in line."""
    site = choose_site(picture)
    left, right = st.columns(2)
    values = {
        "checkin_line": number("People waiting for check-in", 100_000, left),
        "scanner_line": number("People waiting for a scanner", 100_000, right),
        "counted_by": st.text_input("Counted by (kept behind a token)"),
        "at": when(picture, at),
    }
    counted = values["checkin_line"] is not None or values["scanner_line"] is not None
    return site, values, lacking((site, "the place"), (counted or None, "a count"), (values["at"], "a time like 09:30"))


def power_note(picture: Picture, at: datetime) -> tuple[str | None, dict[str, Any], list[str]]:
    """A line about power, led by its time."""
    text = st.text_input(
        "The note", max_chars=2_000, placeholder="place, what happened, what the utility promises", key="note_text"
    ).strip()
    moment = when(picture, at)
    told = "" if moment is None else f"{words.local(datetime.fromisoformat(moment), picture.zone):%H:%M} {text}"
    return None, {"text": told}, lacking((text, "the note"), (moment, "a time like 09:30"))


def step(picture: Picture, at: datetime) -> tuple[str | None, dict[str, Any], list[str]]:
    """An opening, closing or custody step."""
    site = choose_site(picture)
    milestone = st.selectbox(
        "Step", terms.MILESTONES, index=None, format_func=words.step, placeholder="Type a few letters"
    )
    one, two = st.columns(2)
    values = {
        "milestone": milestone,
        "reported_by": one.text_input("Reported by (kept behind a token)"),
        "witness": two.text_input("Second person"),
        "seal_in": one.text_input("Seal number found"),
        "seal_out": two.text_input("Seal number put on"),
        "from": one.text_input("Handed over by, or place left"),
        "to": two.text_input("Taken by, or place reached"),
        "item": st.text_input("Unit, medium or container"),
        "at": when(picture, at),
    }
    return site, values, lacking((site, "the place"), (milestone, "the step"), (values["at"], "a time like 09:30"))


def reading(picture: Picture, at: datetime) -> tuple[str | None, dict[str, Any], list[str]]:
    """What a unit shows, read out by telephone."""
    named = figures.places(picture)
    units = {
        unit: f"{unit}, {words.TYPES.get(type_, type_)}, {named.get(site, 'depot')}"
        for unit, type_, site in picture.known.units.sort("unit_id").select("unit_id", "type", "site_id").iter_rows()
    }
    unit = st.selectbox(
        "Unit", list(units), index=None, format_func=units.__getitem__, placeholder="Type a few letters"
    )
    left, right = st.columns(2)
    values = {
        "ballots_counted": number("Ballots read so far", 1_000_000, left),
        "checkins": number("Voters checked in so far", 1_000_000, right),
        "battery_percent": number("Battery, %", 100, left),
        "power": right.selectbox("Runs on", terms.POWER_SOURCES, index=None, placeholder="not told"),
        "state": left.selectbox("State", terms.UNIT_STATES, index=None, placeholder="not told"),
        "paper": right.selectbox("Paper", terms.PAPER_STATES, index=None, placeholder="not told"),
        "at": when(picture, at),
    }
    told = any(value is not None for name, value in values.items() if name != "at")
    return unit, values, lacking((unit, "the unit"), (told or None, "a value"), (values["at"], "a time like 09:30"))


def end_counts(picture: Picture, at: datetime) -> tuple[str | None, dict[str, Any], list[str]]:
    """The counts of a site at the end of the day. Counts of ballots, never votes."""
    site = choose_site(picture)
    columns = st.columns(2)
    values = {
        name: number(words.capital(said), 100_000_000, columns[place % 2])
        for place, (name, said) in enumerate(COUNTS.items())
    }
    told = any(value is not None for value in values.values())
    return site, values, lacking((site, "the place"), (told or None, "a count"))


def lacking(*needed: tuple[Any, str]) -> list[str]:
    """What is still needed, in words."""
    return [said for value, said in needed if not value]


FORMS = {
    "line-count": line_count,
    "power-note": power_note,
    "step": step,
    "reading": reading,
    "end-counts": end_counts,
}


def page(picture: Picture) -> None:
    """The page."""
    st.title("Report", anchor=False)
    panels.only_live(picture)
    left, right = st.columns([0.52, 0.48], gap="large")
    with left:
        kind = st.segmented_control(
            "What is reported", list(KINDS), format_func=KINDS.__getitem__, default="line-count", required=True
        )
        with st.form(f"report-{kind}", clear_on_submit=False, border=False, enter_to_submit=False):
            target, values, missing = FORMS[kind](picture, entering.now())
            pressed = st.form_submit_button("Save", type="primary")
        if pressed and missing:
            panels.markup(f'<div class="wb-notice">Not kept. Still needed: {words.safe(", ".join(missing))}.</div>')
        elif pressed and entering.keep(kind, target, values):
            panels.markup('<div class="wb-notice">Kept; what has become of it stands at the right.</div>')
    with right:
        panels.heading("Entered lately, by anybody")
        panels.entries(picture, most=14)


page(panels.shown())
