"""Which tickets are open, whom do they concern, and who was not understood?"""

import polars as pl
import streamlit as st

from dashboard import entering, figures, listing, panels, reasons, words
from dashboard.data import Picture, once
from pipeline.contracts.moments import rfc3339
from pipeline.contracts.words import TICKET_CATEGORIES, TICKET_READ, TICKET_STATE

NO_PLACE = "place not known"
NEWEST = 5  # tickets listed by themselves where the table does not show them all [count]: our choice
STATES = {"open": "open", "assigned": "assigned", "resolved": "resolved"}


def asked_about(picture: Picture, tickets: pl.DataFrame) -> None:
    """Open tickets whose place nobody recognises, or which could be about several things: a person settles it."""
    least = picture.known.settings["tickets.category_threshold"]
    unplaced, doubtful = pl.col("site_id").is_null(), pl.col("category_confidence") < least
    unknown = tickets.filter((unplaced | doubtful) & (pl.col("status") != "resolved"))
    if unknown.is_empty():
        panels.empty("Every open ticket has a site of the roster, and none could be about several things.")
        return
    panels.table(
        ("Ticket", "Opened", "Question", "The place as said", "What the caller said (masked)"),
        [
            (
                r["ticket_id"],
                words.clock(r["opened_at"], picture.zone, picture.at),
                question(r, least),
                r["site"],
                r["text"],
            )
            for r in unknown.iter_rows(named=True)
        ],
    )


def question(row: dict, least: float) -> str:
    """What a person is asked about a ticket."""
    asked = ["which place?"] if row["site_id"] is None else []
    if row["category_confidence"] < least:
        asked.append(f"{words.CATEGORIES[row['category']]}? ({words.percent(row['category_confidence'])} sure)")
    return words.capital(", ".join(asked))


def choose(picture: Picture, tickets: pl.DataFrame) -> None:
    """One ticket: its words, what was entered on it, and what can be done."""
    named = figures.names(picture)
    order = tickets.sort("status", "opened_at", descending=[False, True])
    labels = {
        r["ticket_id"]: f"{r['ticket_id']}, {named.get(r['site_id'], NO_PLACE)}, {words.CATEGORIES[r['category']]}"
        for r in order.iter_rows(named=True)
    }
    asked = st.query_params.get("ticket")
    if asked in labels and "ticket" not in st.session_state:
        st.session_state.ticket = asked
    chosen = st.selectbox(
        "Open a ticket", list(labels), index=None, format_func=labels.__getitem__, key="ticket",
        placeholder="Type its number or its place",
    )  # fmt: skip
    if chosen is None:
        return
    row = tickets.filter(pl.col("ticket_id") == chosen).to_dicts()[0]
    left, right = st.columns(2, gap="large")
    with left:
        by_phone = "worked on by telephone" if row["status"] == "assigned" else "with nobody"
        holder = f"with {row['rover_id']}" if row["rover_id"] else by_phone
        panels.markup(
            f"<p><b>{words.safe(labels[chosen])}</b></p><p>“{words.safe(row['text'])}”</p>"
            f'<p class="small">{words.safe(row["status"])}, {words.safe(holder)}; severity {row["severity"]} of 4; '
            f"{words.voter_minutes(row['voter_minutes_at_risk'])} in the next hour; decided by "
            f"“{words.safe(row['decided_by'])}”</p>"
        )
        panels.heading("Entered on it, newest first")
        panels.entries(picture, chosen)
    if picture.is_live:
        with right:
            work_on(picture, row, labels)


def work_on(picture: Picture, row: dict, labels: dict[str, str]) -> None:
    """A note, the next state, and what the ticket is about."""
    ticket_id, named = row["ticket_id"], figures.names(picture)
    with st.form(f"note-{ticket_id}", clear_on_submit=True, border=False):
        note = st.text_input("Note")
        if st.form_submit_button("Add the note") and note.strip():
            entering.keep("note", ticket_id, {"text": note})
    rovers = picture.known.rovers["rover_id"].sort().to_list()
    with st.form(f"state-{ticket_id}", border=False):
        one, two = st.columns(2)
        to = one.selectbox("Give it to", ["by telephone", *rovers], index=None, placeholder="nobody new")
        ended = two.text_input("Resolved, how", placeholder="empty: not resolved")
        if st.form_submit_button("Save the state"):
            state = next_state(picture, to, ended.strip())
            if state:
                entering.keep(TICKET_STATE, ticket_id, state)
    with st.form(f"read-{ticket_id}", border=False):
        places = figures.places(picture)
        site = st.selectbox(
            "The place is", list(places), index=None, format_func=places.__getitem__,
            placeholder=named.get(row["site_id"], f"{NO_PLACE}: “{row['site']}”"),
        )  # fmt: skip
        kind = st.selectbox(
            "It is about", TICKET_CATEGORIES, index=None, format_func=lambda c: words.capital(words.CATEGORIES[c]),
            placeholder=words.capital(words.CATEGORIES[row["category"]]),
        )  # fmt: skip
        others = {"": "nothing: it is a trouble of its own"} | {k: v for k, v in labels.items() if k != ticket_id}
        same = st.selectbox(
            "It repeats", list(others), index=None, format_func=others.__getitem__,
            placeholder=row["same_as"] or others[""],
        )  # fmt: skip
        told = {"site_id": site, "category": kind, "same_as": same}
        if st.form_submit_button("Save what it is about") and any(v is not None for v in told.values()):
            entering.keep(TICKET_READ, ticket_id, told)


def next_state(picture: Picture, to: str | None, ended: str) -> dict[str, str | None]:
    """The state that a form tells; empty where it tells none."""
    now = rfc3339(entering.now())
    if ended:
        return {"status": "resolved", "resolved_at": now, "resolution": ended}
    if to is None:
        return {}
    return {"status": "assigned", "assigned_at": now, "rover_id": None if to == "by telephone" else to}


@once
def with_words(picture: Picture) -> pl.DataFrame:
    """The tickets with the caller's words."""
    said = picture.known.tickets.select("ticket_id", "site", "text", "rover_id")
    return picture.answer("tickets").join(said, on="ticket_id", how="left", maintain_order="left")


@once
def fitting(
    picture: Picture, states: tuple[str, ...], kinds: tuple[str, ...], sites: tuple[str, ...], text: str
) -> pl.DataFrame:
    """The tickets that fit what is chosen, the most at risk first; where nothing is chosen, all fit."""
    cut = with_words(picture)
    for column, wanted in (("status", states), ("category", kinds), ("site_id", sites)):
        cut = cut.filter(pl.col(column).is_in(wanted)) if wanted else cut
    cut = cut.filter(pl.col("text").str.to_lowercase().str.contains(text.lower(), literal=True)) if text else cut
    return cut.sort("voter_minutes_at_risk", "opened_at", descending=True)


@once
def in_words(
    picture: Picture,
    states: tuple[str, ...],
    kinds: tuple[str, ...],
    sites: tuple[str, ...],
    text: str,
    most: int | None,
) -> pl.DataFrame:
    """The same as a table: so many of them, or all."""
    tickets = listing.head(fitting(picture, states, kinds, sites, text), most)
    return panels.said([row_of(picture, r) for r in tickets.iter_rows(named=True)])


def row_of(picture: Picture, ticket: dict) -> dict:
    """One ticket as a row of the table."""
    named, site = figures.names(picture), ticket["site_id"]
    return {
        "Ticket": ticket["ticket_id"],
        "Opened": words.clock(ticket["opened_at"], picture.zone, picture.at),
        "State": ticket["status"],
        "Rover": ticket["rover_id"] or ("by telephone" if ticket["status"] == "assigned" else "nobody"),
        "Site": named.get(site, site) if site else NO_PLACE,
        "Sure of the site": words.percent(ticket["site_confidence"]) if site else "–",
        "Unit": ticket["unit_id"] or "not told",
        "Category": words.CATEGORIES[ticket["category"]],
        "Sure of the category": words.percent(ticket["category_confidence"]),
        "Severity (1 worst)": ticket["severity"],
        "Voter-minutes, next hour": round(ticket["voter_minutes_at_risk"]),
        "Repeats": ticket["same_as"] or "no",
        "What the caller said": ticket["text"],
        "Decided by the words": ticket["decided_by"],
    }


def just_come(picture: Picture, fitting: pl.DataFrame) -> None:
    """The newest of more tickets than the table shows: one that has just come is not to be missed."""
    panels.markup(f'<p class="small">The newest {NEWEST} of them:</p>')
    newest = fitting.sort("opened_at", "ticket_id", descending=[True, False]).head(NEWEST)
    rows = [row_of(picture, r) for r in newest.iter_rows(named=True)]
    heads = ("Ticket", "Opened", "State", "Site", "Category", "Voter-minutes, next hour", "What the caller said")
    panels.table(heads, [[row[head] for head in heads] for row in rows])


def page(picture: Picture) -> None:
    """The page."""
    st.title("Tickets", anchor=False)
    tickets = with_words(picture)
    if tickets.is_empty():
        panels.empty(f"No ticket is known. {panels.last_came(picture, 'tickets')}")
    else:
        named, at, zone = figures.names(picture), picture.at, picture.zone
        live = tickets.filter(pl.col("status") != "resolved")
        panels.facts(
            [
                (str(live.height), "not resolved"),
                (str(live.filter(pl.col("status") == "open").height), "of them given to nobody"),
                (str(live.filter(pl.col("same_as").is_not_null()).height), "of them repeat an earlier ticket"),
                (str(live.filter(pl.col("site_id").is_null()).height), "of them at no known place"),
                (str(tickets.height), f"in all, newest {words.clock(figures.newest(tickets['opened_at']), zone, at)}"),
            ]
        )
        choose(picture, tickets)
        panels.heading("To be settled: place or trouble not sure")
        asked_about(picture, tickets)
        panels.heading("All tickets")
        one, two, three, four = st.columns([0.24, 0.28, 0.24, 0.24])
        states = one.multiselect("State", list(STATES), default=["open", "assigned"])
        kinds = two.multiselect(
            "Category", sorted(tickets["category"].unique()), format_func=lambda c: words.CATEGORIES[c]
        )
        sites = three.multiselect(
            "Site", sorted(tickets["site_id"].drop_nulls().unique()), format_func=lambda s: named.get(s, s)
        )
        text = four.text_input("Words in the ticket")
        wanted = (tuple(states), tuple(kinds), tuple(sites), text)
        cut = fitting(picture, *wanted)
        if cut.is_empty():
            panels.empty(f"No ticket fits. {panels.last_came(picture, 'tickets')}")
        else:
            if cut.height > listing.MOST:
                just_come(picture, cut)
            listing.table(
                lambda most: in_words(picture, *wanted, most),
                cut.height,
                "tickets-table",
                "the most at risk first",
                430,
            )
        reasons.behind(picture, "tickets")


page(panels.shown())
