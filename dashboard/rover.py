"""A rover's own page on a phone: the next stop, what to look at first, and five large buttons.

`?rover=R3`. Each press is an entry by that rover; nothing is asked twice, and each can be taken back below.
"""

from typing import Any

import polars as pl
import streamlit as st

from dashboard import entering, figures, header, panels, words
from dashboard.data import Picture
from pipeline.contracts.moments import rfc3339
from pipeline.contracts.words import TICKET_STATE
from pipeline.estimates.dispatch.cautions import DANGER, LOCAL
from pipeline.outputs.sheet import guidance, waiting

Act = tuple[str, str | None, dict[str, Any]]


def asked() -> str | None:
    """The rover that the address names."""
    found = st.query_params.get("rover")
    return str(found) if found else None


def page(picture: Picture, rover_id: str) -> None:
    """The whole page."""
    st.title(f"Rover {rover_id}", anchor=False)
    known = picture.known
    if rover_id not in known.rovers["rover_id"].to_list():
        panels.empty(f"No rover {rover_id} is in the roster. Ask the command centre for the right address.")
        return
    st.session_state[entering.WHO] = rover_id
    panels.markup(
        f'<p class="big">Rover {words.safe(rover_id)}</p><p class="small">as known at '
        f"{words.full_time(picture.at, picture.zone)}. A proposal: the dispatcher decides.</p>"
    )
    header.notice(picture)
    away(picture)
    plan = picture.answer("dispatch").filter(pl.col("rover_id") == rover_id).sort("stop")
    mine = own_tickets(picture, rover_id)
    if plan.is_empty() and mine.is_empty():
        where = waiting(known, picture.answer("standby"), rover_id)
        is_off = where.startswith("Off shift")
        panels.empty(where if is_off else f"No stop is proposed for you now. {where} Stay reachable.")
    else:
        stop(picture, rover_id, plan, mine)
    for row in plan[1:].iter_rows(named=True):
        named = figures.names(picture).get(row["site_id"], row["site_id"])
        there = words.clock(row["arrive_at"], picture.zone, picture.at)
        panels.markup(f"<p>Then <b>{words.safe(named)}</b>, about {there}</p>")
    panels.heading("What you have entered")
    panels.entries_by(picture, rover_id)


def own_tickets(picture: Picture, rover_id: str) -> pl.DataFrame:
    """The tickets that are given to a rover and not resolved."""
    rows = figures.visits(picture)
    return rows.filter((pl.col("rover_id") == rover_id) & (pl.col("status") == "assigned")).sort("assigned_at")


def away(picture: Picture) -> None:
    """Places where danger is reported: nobody goes there."""
    named = figures.names(picture)
    rows = figures.dangers(picture)
    if rows.height:
        told = dict(picture.known.tickets.select("ticket_id", "site").iter_rows())
        found = (
            named.get(s, f"“{told.get(t)}”, a place not yet known")
            for s, t in rows.select("site_id", "ticket_id").iter_rows()
        )
        places = ", ".join(dict.fromkeys(found))
        panels.markup(f'<p class="danger">Keep away: {words.safe(places)}</p>')
        panels.caution(f"{DANGER} {LOCAL}")


def stop(picture: Picture, rover_id: str, plan: pl.DataFrame, mine: pl.DataFrame) -> None:
    """The stop in hand: the tickets already given to this rover, else the first proposed stop."""
    row = plan.row(0, named=True) if plan.height else None
    site_id = str(mine["site_id"][0] or "") if mine.height else str(row["site_id"] if row else "")
    tickets = mine.filter(pl.col("site_id") == site_id) if mine.height else mine
    ids = tickets["ticket_id"].to_list() if tickets.height else list(row["ticket_ids"]) if row else []
    found = picture.known.sites.filter(pl.col("site_id") == site_id).to_dicts()
    place = found[0] if found else {"name": site_id, "address": None, "room": None, "entrance": None}
    told = picture.answer("tickets").filter(pl.col("ticket_id").is_in(ids))
    texts = dict(picture.known.tickets.select("ticket_id", "text").iter_rows())
    said = "".join(f"<p>“{words.safe(texts.get(t, ''))}” <span class='small'>({words.safe(t)})</span></p>" for t in ids)
    where = " · ".join(str(place[k]) for k in ("address", "room", "entrance") if place.get(k))
    panels.markup(
        f"<p class='big'>{words.safe(place['name'])}</p><p>{words.safe(where or 'no address in the roster')}</p>{said}"
    )
    if site_id in figures.danger_sites(picture):
        panels.markup(
            '<div class="wb-notice"><b class="danger">Danger is reported at this very place. Do not go there; if you '
            "are there, leave.</b> Call the command centre. The buttons come back when it is cleared.</div>"
        )
        return
    fits = row is not None and row["site_id"] == site_id
    if row and fits:
        parts = f"Take {', '.join(map(words.plain, row['parts']))}. " if row["parts"] else ""
        there = words.clock(row["arrive_at"], picture.zone, picture.at)
        why = "" if ids else row["why"]  # with a ticket the caller's words say what is wrong
        panels.markup(f"<p><b>{words.safe(parts)}</b>There about {there}. {words.safe(why)}</p>")
    if row and fits and row["caution"]:
        panels.caution(row["caution"])
    buttons(rover_id, site_id, ids)
    for kind in dict.fromkeys(told["category"].to_list()):
        card = guidance().get(kind)
        if card:
            panels.heading(card["title"])
            items = "".join(f"<li>{words.safe(step)}</li>" for step in card["steps"])
            panels.markup(f"<ol class='wb-steps'>{items}</ol>")


def buttons(rover_id: str, site_id: str, tickets: list[str]) -> None:
    """The five presses."""
    at = rfc3339(entering.now())
    how = st.text_input("What was done, or which part", key="rover-how", placeholder="a few words, if you like")
    states: dict[str, tuple[dict[str, Any], list[Act]]] = {
        "On my way": (
            {"status": "assigned", "rover_id": rover_id, "assigned_at": at},
            [("stop-pinned", rover_id, {"site_id": site_id})],
        ),
        "Arrived": ({"status": "assigned", "rover_id": rover_id, "arrived_at": at}, []),
        "Fixed": ({"status": "resolved", "resolved_at": at, "resolution": how or "fixed"}, []),
    }
    with st.container(key="rover-buttons"):
        for label, (state, more) in states.items():
            acts = [*more, *((TICKET_STATE, ticket, state) for ticket in tickets)]
            acts = acts or [("note", site_id, {"text": label.lower(), "rover_id": rover_id})]
            st.button(label, key=f"rover-{label}", type="primary", width="stretch", on_click=press, args=(acts,))
        part = [
            ("note", ticket, {"text": f"needs a part: {how or 'not said which'}"}) for ticket in tickets or [site_id]
        ]
        st.button("Needs a part", key="rover-part", width="stretch", on_click=press, args=(part,))
        second = [("two-needed", site_id, {"why": how or None})]
        st.button("Needs a second person", key="rover-two", width="stretch", on_click=press, args=(second,))


def press(acts: list[Act]) -> None:
    """Enters what a button says and clears the words beside it."""
    if entering.keep_all(acts):
        st.session_state["rover-how"] = ""
