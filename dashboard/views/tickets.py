"""Which tickets are open, whom do they concern, and who was not understood?"""

import polars as pl
import streamlit as st

from dashboard import figures, panels, words
from dashboard.data import Picture

STATES = {"open": "open", "assigned": "assigned", "resolved": "resolved"}


def asked_about(picture: Picture, tickets: pl.DataFrame) -> None:
    """Tickets whose place nobody recognises."""
    unknown = tickets.filter(pl.col("site_id").is_null() & (pl.col("status") != "resolved"))
    if unknown.is_empty():
        panels.empty("Every open ticket has a site of the roster.")
        return
    panels.table(
        ("Ticket", "Opened", "The place as said", "What the caller said (masked)"),
        [
            (r["ticket_id"], words.clock(r["opened_at"], picture.zone, picture.at), r["site"], r["text"])
            for r in unknown.iter_rows(named=True)
        ],
    )


picture = panels.shown()
st.title("Tickets", anchor=False)
said = picture.known.tickets.select("ticket_id", "site", "text", "rover_id")
tickets = picture.answer("tickets").join(said, on="ticket_id", how="left", maintain_order="left")
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
            (str(live.filter(pl.col("site_id").is_null()).height), "of them asked about: no site recognised"),
            (str(tickets.height), f"in all, newest {words.clock(figures.newest(tickets['opened_at']), zone, at)}"),
        ]
    )
    panels.heading("Asked about")
    asked_about(picture, tickets)
    panels.heading("All tickets")
    one, two, three, four = st.columns([0.24, 0.28, 0.24, 0.24])
    states = one.multiselect("State", list(STATES), default=["open", "assigned"])
    kinds = two.multiselect("Category", sorted(tickets["category"].unique()), format_func=lambda c: words.CATEGORIES[c])
    sites = three.multiselect(
        "Site", sorted(tickets["site_id"].drop_nulls().unique()), format_func=lambda s: named.get(s, s)
    )
    text = four.text_input("Words in the ticket")
    cut = tickets.filter(pl.col("status").is_in(states)) if states else tickets
    cut = cut.filter(pl.col("category").is_in(kinds)) if kinds else cut
    cut = cut.filter(pl.col("site_id").is_in(sites)) if sites else cut
    cut = cut.filter(pl.col("text").str.to_lowercase().str.contains(text.lower(), literal=True)) if text else cut
    if cut.is_empty():
        panels.empty(f"No ticket fits. {panels.last_came(picture, 'tickets')}")
    else:
        panels.frame(
            [
                {
                    "Ticket": r["ticket_id"],
                    "Opened": words.clock(r["opened_at"], zone, at),
                    "State": r["status"],
                    "Rover": r["rover_id"] or ("by telephone" if r["status"] == "assigned" else "nobody"),
                    "Site": named.get(r["site_id"], r["site_id"]) if r["site_id"] else "asked about",
                    "Sure": words.percent(r["site_confidence"]) if r["site_id"] else "–",
                    "Unit": r["unit_id"] or "not told",
                    "Category": words.CATEGORIES[r["category"]],
                    "Sure of it": words.percent(r["category_confidence"]),
                    "Severity (1 worst)": r["severity"],
                    "Voter-minutes, next hour": round(r["voter_minutes_at_risk"]),
                    "Repeats": r["same_as"] or "no",
                    "What the caller said": r["text"],
                    "Decided by": r["decided_by"],
                }
                for r in cut.sort("voter_minutes_at_risk", "opened_at", descending=True).iter_rows(named=True)
            ],
            "tickets-table",
            430,
        )
