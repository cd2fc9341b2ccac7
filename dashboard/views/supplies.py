"""What fills up or runs out before closing?"""

import polars as pl
import streamlit as st

from dashboard import figures, listing, panels, reasons, words
from dashboard.data import Picture, once

WHAT = {"bin": "bin", "emergency": "emergency compartment", "paper": "paper", "ballots": "ballots"}
LIKELY = 0.5  # chance from which something is said to run out; our choice
ITEMS = {
    "bin": "ballot bins likely full",
    "paper": "units likely out of paper",
    "ballots": "ballot styles likely used up",
}


@once
def ordered(picture: Picture) -> pl.DataFrame:
    """The supplies, the likeliest to end first."""
    return picture.answer("supplies").sort(
        "chance_full", "full_at_mean", "site_id", "item", descending=[True, False, False, False], nulls_last=True
    )


@once
def listed(picture: Picture, most: int | None) -> pl.DataFrame:
    """What fills up or runs out, the likeliest first: so many, or all."""
    named, zone, at = figures.names(picture), picture.zone, picture.at
    return panels.said(
        [
            {
                "Site": named.get(r["site_id"], r["site_id"]),
                "What": f"{WHAT[r['item']]} {r['unit_id'] or r['style'] or ''}".strip(),
                "Reported": r["state"] or "–",
                "Used when last counted": "–" if r["used"] is None else words.count(r["used"]),
                "Holds": "–" if r["capacity"] is None else words.count(r["capacity"]),
                "Full or used up, about": words.clock(r["full_at_mean"], zone, at)
                if r["full_at_mean"]
                else "not foreseen",
                "5–95 %": words.span(r["full_at_low"], r["full_at_high"], zone, at) if r["full_at_low"] else "–",
                "Chance before closing": words.percent(r["chance_full"]),
                "Stands on": r["basis"],
            }
            for r in listing.head(ordered(picture), most).iter_rows(named=True)
        ]
    )


def page(picture: Picture) -> None:
    """The page."""
    st.title("Supplies", anchor=False)
    rows = ordered(picture)
    if rows.is_empty():
        panels.empty(f"No bin, paper or ballots are known of. {panels.last_came(picture, 'status')}")
    else:
        short = {item: rows.filter((rows["item"] == item) & (rows["chance_full"] >= LIKELY)).height for item in ITEMS}
        out = rows.filter(rows["state"] == "out").height
        panels.facts(
            [(str(n), f"{ITEMS[item]} before closing") for item, n in short.items()] + [(str(out), "reported out now")]
        )
        listing.table(
            lambda most: listed(picture, most), rows.height, "supplies-table", "the likeliest to end first", 470, "Site"
        )
        reasons.behind(picture, "supplies")


page(panels.shown())
