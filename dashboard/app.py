"""The board's frame: navigation, the one time control, feed ages. It reads the published book and never writes."""

import time
import uuid
from collections.abc import Iterable

import streamlit as st
from streamlit.navigation.page import StreamlitPage
from streamlit.runtime.scriptrunner import get_script_run_ctx

from dashboard import ahead, alarming, data, header, meanwhile, pace, panels, rover, theme, wall
from dashboard.navigation import VIEWS
from pipeline.contracts.moments import parse_time
from pipeline.errors import WardbookError

PLAY_SECONDS = 3  # between steps of a day that is played, if the machine keeps up


def start_session() -> None:
    """The moment named in the address (`?at=2026-11-03T13:30:00-06:00`), the first time only."""
    if "mode" in st.session_state:
        return
    st.session_state.mode, st.session_state.as_of = "Live", None
    named = st.query_params.get("at")
    if named:
        try:
            st.session_state.as_of = parse_time(named.replace(" ", "+"), "UTC")
            st.session_state.mode = "A past time"
        except ValueError:
            st.warning(f"{named!r} is no time; the present is shown.")


@st.fragment(run_every=pace.LOOK_EVERY_SECONDS)
def pulse(seen: data.Seen | None, tickets: int | None, is_reading: bool, drawn: float) -> None:
    """Draws the page anew when there is a newer snapshot, a new ticket at once; says so while a reason is being read.

    Parameters
    ----------
    seen : the snapshot that the page shows
    tickets : how many tickets it knows of; None where the page shows none
    drawn : when the page was drawn, by the monotonic clock [s]
    """
    now = time.monotonic()
    pace.PACE.note_look(session(), now)
    if data.signature() == seen:
        return
    if is_reading:
        panels.markup('<p class="small">Newer data is there. Close what tells why, and it is shown.</p>')
        return
    is_drawing = now - drawn < pace.LOOK_EVERY_SECONDS / 2  # the very run that draws the page
    has_news = tickets is not None and data.tickets_known() > tickets
    if not is_drawing and (has_news or pace.PACE.is_due(now - drawn)):
        with pace.TURNS.taken():
            st.rerun(scope="app")


def session() -> str:
    """A name for this session that no other has."""
    found: str = st.session_state.setdefault("session", uuid.uuid4().hex)
    return found


def chosen_picture(is_reading: bool) -> data.Picture:
    """The moment to show: held as it is (asked for, or while a reason is open), or live, or a past one."""
    held = st.session_state.get(panels.PICTURE)
    is_held = st.session_state.mode == "Hold" or st.session_state.mode == "Live" and is_reading
    if is_held and held is not None and held.is_live:
        return held
    st.session_state.seen = data.signature()
    return data.current(st.session_state.as_of)


@st.fragment(run_every=PLAY_SECONDS)
def play(begun: float) -> None:
    """Steps through a past day while a pace is chosen."""
    if time.monotonic() - begun >= PLAY_SECONDS / 2:  # not in the very run that drew the page
        header.play_on(panels.shown())


def views() -> dict[str, StreamlitPage]:
    """The pages by their paths, made once a session: each looks for its file on the disk."""
    found: dict[str, StreamlitPage] | None = st.session_state.get("views")
    if found is None:
        found = {path: st.Page(f"views/{v.file}.py", title=v.title, url_path=path) for path, v in VIEWS.items()}
        st.session_state.views = found
    return found


def start() -> None:
    """The bare address leads to the first view."""
    st.switch_page("views/now.py")


def keep_to_what_was_asked(pages: Iterable[StreamlitPage], chosen: StreamlitPage, asked: str) -> None:
    """Leads to the page that was clicked, where `st.navigation` has chosen another.

    It reads the choice from the session, and a drawing that the clock began just before the click still writes its own
    page there while it is being stopped: the click would be lost.

    Parameters
    ----------
    asked : the hash of the page that this run was asked for, as its own context had it before the navigation
    """
    for page in pages:
        if page._script_hash == asked and page is not chosen:
            st.switch_page(page, query_params=st.query_params.to_dict())


def turn(pages: dict[str, StreamlitPage], shown: str) -> None:
    """The wall's next page, after its time."""
    named, seconds = wall.asked(), wall.seconds()
    begun = time.monotonic()

    @st.fragment(run_every=seconds)
    def waits() -> None:
        if time.monotonic() - begun >= seconds / 2:
            asked = {"wall": ",".join(named), "turn": str(seconds)}
            st.switch_page(pages[wall.following(named, shown)], query_params=asked)

    waits()


def frame(picture: data.Picture, is_reading: bool, shows_tickets: bool) -> None:
    """What stands over every page: county, time, control, who enters, alarms."""
    if wall.asked():
        st.html(wall.style_sheet())
        header.draw(picture)
    else:
        left, right = st.columns([0.58, 0.42], vertical_alignment="center")
        with left:
            header.draw(picture)
        with right, st.container(horizontal=True, horizontal_alignment="right"):
            header.choose_moment(picture)
            header.name_moment()
            header.say_who()
    alarming.announce(picture)
    if st.session_state.mode == "Live":
        tickets = picture.known.tickets.height if shows_tickets else None
        pulse(st.session_state.seen, tickets, is_reading, time.monotonic())
    elif st.session_state.get("pace"):
        play(time.monotonic())


def main() -> None:
    """One run of the page."""
    ahead.begin()
    st.set_page_config(page_title="Wardbook", layout="wide")
    st.html(theme.style_sheet(theme.palette()))
    header.unsent()
    pages = views()
    rover_id = rover.asked()
    # The default page answers to the bare address only; a view that must have its own address cannot be it.
    first = st.Page(start, title="Wardbook", default=True, visibility="hidden")
    methods = st.Page("views/methods.py", title="Methods", url_path="methods", visibility="hidden")
    context = get_script_run_ctx()
    asked = context.page_script_hash if context else ""
    page = st.navigation([first, methods, *pages.values()], position="hidden" if rover_id or wall.asked() else "top")
    keep_to_what_was_asked([methods, *pages.values()], page, asked)
    start_session()
    is_reading = page.url_path == "now" and panels.is_reading() and not wall.asked()
    try:
        picture = chosen_picture(is_reading)
    except WardbookError as error:
        panels.empty(str(error))
        st.session_state.as_of, st.session_state.mode = None, "Live"
        pulse(st.session_state.get("seen"), None, False, time.monotonic())
        return
    st.session_state[panels.PICTURE] = picture
    if rover_id:
        pulse(st.session_state.seen, picture.known.tickets.height, False, time.monotonic())
        with picture.drawn(), meanwhile.shown(picture):
            rover.page(picture, rover_id)
        return
    is_held = is_reading or st.session_state.mode == "Hold"
    with picture.drawn(is_held):
        frame(picture, is_reading, page.url_path in VIEWS and VIEWS[page.url_path].shows_tickets)
        with meanwhile.shown(picture):
            page.run()
    if wall.asked():
        turn(pages, page.url_path)


if __name__ == "__main__":  # not where a process that was begun beside reads this file for its names
    with pace.Drawing():
        main()
