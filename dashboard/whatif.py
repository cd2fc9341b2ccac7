"""What if a site had one more station, booth or scanner, or a unit were repaired: asked on the page of the site."""

from typing import Any

import polars as pl
import streamlit as st

from dashboard import panels, tables, words
from dashboard.data import Picture, answers_of
from pipeline.contracts.words import CAN_BE_ADDED
from pipeline.errors import WardbookError

KEPT = 32  # answers remembered [count]
LEFT_OUT = ("site_id", "from_at", "basis")


def ask(picture: Picture, site_id: str) -> None:
    """The form and its answer."""
    units = picture.known.units.filter(pl.col("site_id") == site_id)["unit_id"].sort().to_list()
    with st.form("whatif", border=False):
        columns = st.columns(len(CAN_BE_ADDED) + 1)
        more = {
            kind: int(column.number_input(f"More {said}s", 0, 20, 0))
            for column, (kind, said) in zip(columns, CAN_BE_ADDED.items(), strict=False)
        }
        repaired = columns[-1].multiselect("Repaired", units, placeholder="no unit")
        pressed = st.form_submit_button("What would it change?")
    add = {kind: number for kind, number in more.items() if number}
    if not pressed or not (add or repaired):
        return
    try:
        found = answer(picture.folder, picture.version, str(picture.at), site_id, add, tuple(repaired), picture)
    except WardbookError as error:
        panels.empty(str(error))
        return
    panels.markup(
        f'<p class="small">{words.safe(str(found["change"][0]) if found.height else "")}: below nought is less '
        "waiting. It holds if people, room and equipment for it are there; the election official decides.</p>"
    )
    panels.frame(tables.shown(picture, found, LEFT_OUT), "whatif-table")


@st.cache_data(max_entries=KEPT, show_spinner="Running the site on, as it is and changed …")
def answer(
    folder: str, version: int, at: str, site_id: str, add: dict[str, int], repair: tuple[str, ...], _picture: Picture
) -> pl.DataFrame:
    """The answer for one change, kept by version and time."""
    from pipeline.estimates.lines.whatif import Change  # takes a second to load; the page itself need not wait for it

    return answers_of(_picture.known).whatif(Change(site_id, add, repair))


@st.cache_data(max_entries=4, show_spinner="Replaying the day, once with each cause and once without …")
def waits(folder: str, version: int, at: str, _picture: Picture) -> pl.DataFrame:
    """What people waited and what of it was lost to a cause, kept by version and time."""
    found: Any = answers_of(_picture.known).waits
    return found if isinstance(found, pl.DataFrame) else found()


def causes(picture: Picture) -> None:
    """Waits by cause, on request: it replays the day and takes a while."""
    panels.heading("What people waited, and what of it was lost to a cause")
    if not st.toggle("Replay the day for it (takes up to a minute)", key="causes"):
        return
    found = waits(picture.folder, picture.version, str(picture.at), picture)
    if found.is_empty():
        panels.empty("Nobody has waited yet, by the estimates.")
        return
    order = found.sort("voter_minutes_median", "site_id", "cause", descending=[True, False, False])
    panels.frame(tables.shown(picture, order), "waits-table", 320)
