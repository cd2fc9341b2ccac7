"""What stands over every page: county, time, ages of the feeds, notices; the one time control, and who enters."""

from collections.abc import Sequence
from datetime import datetime

import streamlit as st

from dashboard import data, entering, panels, words
from dashboard.data import Picture, once
from dashboard.words import safe
from pipeline.contracts.estimates import AWAITED
from pipeline.contracts.moments import rfc3339

FED = ("tickets", "status", "power-notes", "outages", "line-counts", "milestones")
MODES = ["Live", "Hold", "A past time"]
MODES_HELP = "Live follows what arrives. Hold keeps this moment still until Live is chosen again."
PACES = {0: "▮▮ still", 1: "▶ 5 min a step", 3: "▶ 15 min a step", 6: "▶ 30 min a step"}
PACE_PX = 150  # width of the list of paces [px]
WHO_PX = 130  # width of the field for a name [px]
TIME_PX = 130  # width of the list of times [px]
AWAITED_SAID = (
    "<b>The lines are being worked out from the day so far</b>, and with them waits, batteries, visits and alarms. "
    "They appear here by themselves: after some seconds in a county of 60 sites, some ten more the first time on a "
    "machine, minutes where there are thousands. Calls and reports are taken meanwhile."
)
UNOFFICIAL = "Results stay unofficial."


def draw(picture: Picture) -> None:
    """County, time, what is known up to, and the age of each feed."""
    held = st.session_state.get("mode") == "Hold" or panels.is_reading()
    panels.markup(first_lines(picture, ("held" if held else "live") if picture.is_live else "a past moment"))
    notice(picture)


@once
def first_lines(picture: Picture, mode: str) -> str:
    """The first lines of every page, as HTML."""
    zone, at = picture.zone, picture.at
    ages = " · ".join(f"{words.KINDS[kind]} {safe(words.age(picture.last_received(kind), at))}" for kind in FED)
    return (
        f'<div class="wb-head"><span><b>{safe(picture.known.county.name)}</b></span>'
        f"<span><b>{safe(words.full_time(at, zone))}</b></span>"
        f"<span>known up to {words.clock(at, zone)}: <b>{mode}</b>{older_said(picture)}</span>"
        f'<span class="small">newest files: {ages}</span><span class="small">{UNOFFICIAL}</span></div>'
    )


def unsent() -> None:
    """What a page says by itself once it has lost the board: presses are not sent then, nor kept."""
    panels.markup(
        '<div class="wb-unsent" role="alert">Not connected. What is pressed now is not sent and not kept: write it '
        "down and tell the command centre. When this line goes away, press again.</div>"
    )


def older_said(picture: Picture) -> str:
    """The times of the lines, and of what is neither lines nor tickets, where they are earlier, as HTML."""
    clocks = {said: words.clock(then, picture.zone, picture.at) for said, then in
              (("lines", picture.lines_at), ("all but tickets and lines", picture.rest_at))}  # fmt: skip
    now = words.clock(picture.at, picture.zone)
    older = ", ".join(f"{said} as of <b>{then}</b>" for said, then in clocks.items() if then != now)
    return f'; <span class="older">{older}</span>' if older else ""


def notice(picture: Picture) -> None:
    """What stands over everything else: a past moment, a writer that is away, entries that wait."""
    if not picture.is_live:
        panels.markup(
            f'<div class="wb-notice"><b>Not live.</b> This is what was known at '
            f"{words.full_time(picture.at, picture.zone)}; nothing can be entered here.</div>"
        )
        return
    since, ahead = entering.silent_since(), entering.waiting(picture)
    if picture.is_awaited and since is None:
        panels.markup(f'<div class="wb-notice" role="status">{AWAITED_SAID}</div>')
    for what, reason in picture.failed.items():
        if reason == AWAITED:
            continue
        panels.markup(f'<div class="wb-notice"><b>{safe(what)} could not be estimated.</b> {safe(reason)}</div>')
    if since is not None:
        kept = (
            f"; {words.plural(len(ahead), 'entry waits', 'entries wait')} in the inbox, and none is lost"
            if ahead
            else ""
        )
        panels.markup(
            f'<div class="wb-notice"><b>The writer is away</b> since {words.clock(since, picture.zone)}. This is the '
            f"last known state{kept}. Start <code>wardbook watch</code> on this book.</div>"
        )


def choose_moment(picture: Picture) -> None:
    """The one time control: live, or a past moment of the county's clock."""
    zone, past = picture.zone, choices(picture, st.session_state.get("as_of"))
    st.session_state.control = st.session_state.mode  # the control follows the session: a browser may not have it yet
    st.segmented_control(
        "Known up to",
        MODES,
        key="control",
        required=True,
        on_change=lambda: st.session_state.update(mode=st.session_state.control),
        label_visibility="collapsed",
        help=MODES_HELP,
    )
    if st.session_state.mode != "A past time":
        if st.session_state.get("as_of") is not None:
            st.session_state.as_of = None
            st.rerun()
        return
    if st.session_state.get("as_of") is None:
        st.session_state.as_of = nearest(past, picture.at)
    kept = nearest(past, st.session_state.as_of)
    st.session_state.moment = past.index(kept)
    st.selectbox(
        "Time",
        range(len(past)),
        key="moment",
        on_change=lambda: st.session_state.update(as_of=past[st.session_state.moment]),
        format_func=lambda n: words.day_clock(past[n], zone),
        label_visibility="collapsed",
        width=TIME_PX,
    )
    st.selectbox(
        "Play", list(PACES), key="pace", format_func=PACES.__getitem__, label_visibility="collapsed", width=PACE_PX,
        help="Plays through the day; each step is worked out anew, so that a slow machine plays more slowly.",
    )  # fmt: skip
    if kept != picture.at or picture.is_live:
        st.session_state.as_of = kept
        st.rerun()


def name_moment() -> None:
    """Keep the past moment that is shown in the address too: a session that is lost with its connection begins there
    again, and the address can be passed on. While a day is played the address stays as it is.
    """
    at = st.session_state.as_of if st.session_state.mode == "A past time" else None
    if at is None:
        st.query_params.pop("at", None)
    elif st.query_params.get("at") != rfc3339(at) and not st.session_state.get("pace"):
        st.query_params["at"] = rfc3339(at)


def play_on(picture: Picture) -> None:
    """The next moment of a day that is played; it stands still at its end."""
    past, steps = data.moments(picture), int(st.session_state.get("pace") or 0)
    place = past.index(nearest(past, picture.at)) + steps
    if steps and place < len(past):
        st.session_state.as_of = past[place]
        st.rerun(scope="app")


def say_who() -> None:
    """Who enters, asked once a session."""
    st.text_input(
        "Who enters",
        key=entering.WHO,
        placeholder="your name",
        label_visibility="collapsed",
        width=WHO_PX,
        persist_state="session",
        help="Goes with everything that you enter; kept behind a token in the log.",
    )


def choices(picture: Picture, asked: datetime | None) -> list[datetime]:
    """The times that can be chosen, and the very one that an address asks for."""
    past = data.moments(picture)
    if asked is None or not past[0] <= asked <= past[-1]:
        return past
    return sorted({*past, asked})


def nearest(past: Sequence[datetime], at: datetime) -> datetime:
    """The last choice not after a time."""
    before = [moment for moment in past if moment <= at]
    return before[-1] if before else past[0]
