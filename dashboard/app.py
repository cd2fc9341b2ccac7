"""The board's frame: navigation, the one time control, feed ages. It reads the published book and never writes."""

import streamlit as st

from dashboard import data, panels, theme
from pipeline.contracts.moments import parse_time
from pipeline.errors import WardbookError

LOOK_EVERY_SECONDS = 3  # between looks at whether a newer snapshot has been published
VIEWS = {  # path in the address → file and title
    "now": ("now", "Now"),
    "map": ("county_map", "Map"),
    "lines": ("lines", "Lines"),
    "power": ("power", "Power"),
    "units": ("units", "Units"),
    "rovers": ("rovers", "Rovers"),
    "opening-closing": ("opening_closing", "Opening & closing"),
    "tickets": ("tickets", "Tickets"),
    "intake": ("intake", "Intake"),
    "site": ("site", "Site"),
}


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


@st.fragment(run_every=LOOK_EVERY_SECONDS)
def pulse(seen: tuple[int, int] | None) -> None:
    """Draws the page anew when a newer snapshot has been published."""
    if data.signature() != seen:
        st.rerun(scope="app")


def main() -> None:
    """One run of the page."""
    st.set_page_config(page_title="Wardbook", layout="wide")
    st.html(theme.style_sheet(theme.palette()))
    pages = [
        st.Page(f"views/{file}.py", title=title, url_path=path, default=path == "now")
        for path, (file, title) in VIEWS.items()
    ]
    page = st.navigation(pages, position="top")
    start_session()
    seen = data.signature()
    try:
        picture = data.current(st.session_state.as_of)
    except WardbookError as error:
        panels.empty(str(error))
        st.session_state.as_of, st.session_state.mode = None, "Live"
        pulse(seen)
        return
    st.session_state[panels.PICTURE] = picture
    left, right = st.columns([0.7, 0.3], vertical_alignment="center")
    with left:
        panels.header(picture)
    with right, st.container(horizontal=True, horizontal_alignment="right"):
        panels.choose_moment(picture)
    if picture.is_live:
        pulse(seen)
    page.run()


main()
