"""Which units are off mains, when does each go dark, and what does that cost?"""

import polars as pl
import streamlit as st

from dashboard import charts, figures, further, listing, panels, reasons, theme, words
from dashboard.data import Picture, once
from dashboard.theme import Palette
from pipeline.estimates.dispatch.cautions import BATTERY, DOWNED_LINE, GENERATOR, LOCAL

DRAWN = 24  # bars drawn at most [count]; the table has all
WIRING = "The local electrical code and licensed electricians decide what is connected to a building, and how."


@once
def off_mains(picture: Picture) -> pl.DataFrame:
    """Units on battery or dark, the costliest first, with a label."""
    named = figures.names(picture)
    off = picture.answer("power").filter(pl.col("supply").is_in(["battery", "dark"]))
    label = pl.struct("unit_id", "site_id").map_elements(
        lambda u: f"{u['unit_id']} {named.get(u['site_id'], u['site_id'] or 'depot')}", return_dtype=pl.String
    )
    return off.with_columns(label=label).sort("expected_voter_minutes", "unit_id", descending=[True, False])


@once
def bars(picture: Picture, colours: Palette) -> dict:
    """When each battery ends, the first ones, as a chart."""
    off = off_mains(picture)
    timed = off.filter(pl.col("empty_at_mean").is_not_null()).sort("empty_at_mean").head(DRAWN)
    return charts.empty_bars(timed, picture.at, picture.zone, colours)


@once
def listed(picture: Picture, most: int | None) -> pl.DataFrame:
    """The table of the units off mains, the costliest first: so many, or all."""
    return panels.said(
        [
            {
                "Unit": r["label"],
                "Supply": words.SUPPLIES[r["supply"]],
                "Since": words.clock(r["since"], picture.zone, picture.at),
                "Charge": words.percent(r["charge_mean"]),
                "Empty (5–95 %)": words.span(r["empty_at_low"], r["empty_at_high"], picture.zone, picture.at),
                "Chance to go dark": words.percent(r["chance_dark"]),
                "Dark until closing, min": round(r["expected_dark_minutes"]),
                "Voter-minutes": round(r["expected_voter_minutes"]),
                "Power promised": words.clock(r["restoration_at"], picture.zone, picture.at),
                "Stands on": r["basis"],
            }
            for r in listing.head(off_mains(picture), most).iter_rows(named=True)
        ]
    )


def outages(picture: Picture) -> None:
    """The utility's list and what it promises."""
    listed = picture.known.outages.sort("started_at", descending=True)
    if listed.is_empty():
        panels.empty(f"The utility lists no outage. {panels.last_came(picture, 'outages')}")
        return
    at, zone = picture.at, picture.zone
    sites = picture.known.sites.group_by("circuit").agg(pl.len(), pl.col("name").sort())
    on = {row["circuit"]: row for row in sites.iter_rows(named=True)}
    panels.table(
        ("Circuit", "Sites on it", "Out since", "Restoration promised", "Restored", "Customers"),
        [
            (
                r["circuit"],
                ", ".join(on[r["circuit"]]["name"]) if r["circuit"] in on else "none of the roster",
                words.clock(r["started_at"], zone, at),
                words.clock(r["estimated_restoration_at"], zone, at),
                words.clock(r["restored_at"], zone, at) if r["restored_at"] else "not reported",
                words.count(r["customers"]),
            )
            for r in listed.iter_rows(named=True)
        ],
    )


def notes(picture: Picture) -> None:
    """The newest power notes, as they were written."""
    newest = picture.known.power_notes.sort("received_at", "text", descending=True).head(12)
    if newest.is_empty():
        panels.empty("No power note has been received.")
        return
    panels.table(
        ("Received", "Note, as written (masked)"),
        [(words.clock(r["received_at"], picture.zone, picture.at), r["text"]) for r in newest.iter_rows(named=True)],
    )


def page(picture: Picture) -> None:
    """The page."""
    st.title("Power", anchor=False)
    power, off = picture.answer("power"), off_mains(picture)
    dark = off.filter(pl.col("supply") == "dark").height
    unknown = power.filter(pl.col("supply") == "unknown").height
    panels.facts(
        [
            (str(off.height - dark), "units on battery"),
            (str(dark), "units dark"),
            (str(unknown), f"of {power.height} units: supply unknown"),
            (
                words.rough(float(off["expected_voter_minutes"].sum())),
                "voter-minutes until closing, about, if nothing is done",
            ),
        ]
    )
    left, right = st.columns([0.62, 0.38], gap="medium")
    with left:
        panels.heading("When each battery ends, if mains stay off")
        timed = off.filter(pl.col("empty_at_mean").is_not_null())
        if timed.is_empty():
            panels.empty(f"No unit is known to run on battery. {panels.last_came(picture, 'status')}")
        else:
            panels.chart(
                bars(picture, theme.palette()), "When each battery ends, as intervals; the table below says the same."
            )
            more = f" The first {DRAWN} of {timed.height}." if timed.height > DRAWN else ""
            panels.markup(
                '<p class="small">Bar: 5 % to 95 %; tick: mean; diamond: restoration as promised. From now on, '
                f"county time.{more}</p>"
            )
    with right:
        panels.heading("Before anybody acts")
        for text in (GENERATOR, DOWNED_LINE, BATTERY, f"{WIRING} {LOCAL}"):
            panels.caution(text)
    panels.heading("Units off mains")
    if off.is_empty():
        panels.empty(f"No unit is on battery or dark. {panels.last_came(picture, 'status')}")
    else:
        listing.table(lambda most: listed(picture, most), off.height, "power-table", "the costliest first")
    panels.heading("Outages of the utility")
    outages(picture)
    panels.heading("Power notes")
    notes(picture)
    reasons.behind(picture, "power")
    further.table(
        picture,
        "exposure",
        "Exposure by site",
        "What a site's present outage may cost until closing, with its interval.",
        "No site is exposed: none is off mains.",
    )
    further.table(
        picture,
        "circuits",
        "Exposure by circuit",
        "What an outage of a utility circuit costs, its sites together.",
        "No circuit is known: the roster names none.",
    )
    further.table(
        picture,
        "remedies",
        "What can be done, and until when",
        "Ways to bridge an outage, each with the last time to begin. Generators stand outdoors, at least 20 ft from "
        "doors, windows and vents: carbon monoxide kills (CPSC). Local rules and licensed people decide.",
        "Nothing has to be bridged.",
    )


page(panels.shown())
