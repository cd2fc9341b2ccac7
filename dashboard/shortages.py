"""What must be decided about bins, paper and ballots: what likely fills up or runs out before closing."""

from collections.abc import Iterator

import polars as pl

from dashboard import acting, figures, words
from dashboard.data import Picture
from dashboard.items import ASK, COST, IN_DANGER, Item, where
from pipeline.estimates.dispatch.cautions import caution_for
from pipeline.outputs.hand_over import RUNS_OUT

FULL_LIKELY = 0.5  # chance to run out from which a supply is a decision; our choice
SUPPLY_WORTH = 30.0  # voter-minutes that stand for a supply that likely runs out, to rank it; our choice
TO_SUPPLY = {
    "bin": "Ask how full it is; it is emptied or changed as the county's procedure says, two people together.",
    "emergency": "Ask how full the emergency compartment is, and have the scanner's trouble looked at first; the "
    "compartment is emptied as the county's procedure says, two people together.",
    "paper": "Ask how much paper is left and send a roll.",
    "ballots": "Ask how many of this style are left and send more.",
}


def shortages(picture: Picture) -> Iterator[Item]:
    """What likely fills up or runs out before closing: soon enough that somebody has to leave, or else a question.

    What a proposed stop answers is not told twice. What should be full by now is still asked about.
    """
    stops = picture.answer("dispatch")
    planned = set() if "categories" not in stops.columns else {
        (row["site_id"], row["unit_id"]) for row in stops.iter_rows(named=True) if "bin-full" in row["categories"]
    }  # fmt: skip
    voting = picture.known.sites.filter(pl.col("closes_at") > picture.at)["site_id"]
    soon = picture.answer("supplies").filter(
        (pl.col("chance_full") >= FULL_LIKELY) & pl.col("site_id").is_in(voting.implode())
    )
    for row in soon.iter_rows(named=True):
        thing = row["unit_id"] or f"style {row['style']}"
        if (row["site_id"], row["unit_id"]) in planned:
            continue
        is_pressing = row.get("is_warned", True)
        is_held = row["site_id"] in figures.danger_sites(picture)
        kinds = ["ballot-stock" if row["item"] == "ballots" else "bin-full"]
        yield Item(
            COST if is_pressing else ASK,
            SUPPLY_WORTH * row["chance_full"],
            where(picture, row["site_id"]),
            shortage_what(picture, row, thing),
            stock_said(row),
            f"Chance before closing {words.percent(row['chance_full'])}; no voter-minutes are worked out for supplies.",
            IN_DANGER if is_held else f"{TO_SUPPLY[row['item']]}{leave_by(picture, row)}",
            f"Stands on: {row['basis']}.",
            caution_for(["safety", *kinds] if is_held else kinds),
            row["site_id"],
            key=f"supply|{row['site_id']}|{row['item']}|{thing}",
            press="Stock asked",
            acts=(acting.mark(row["site_id"], f"asked about {thing}"),),
        )


def shortage_what(picture: Picture, row: dict, thing: str) -> str:
    """What is full or used up, and about when."""
    noun = RUNS_OUT[row["item"]]
    if row["full_at_mean"] is None:
        return f"{thing}: {noun} before closing, as likely as not or more; reported {row['state'] or 'short'}"
    zone, at = picture.zone, picture.at
    span = words.span(row["full_at_low"], row["full_at_high"], zone, at)
    return f"{thing}: {noun} about {words.clock(row['full_at_mean'], zone, at)} ({span})"


def stock_said(row: dict) -> str:
    """How much was left when it was last counted; the count may be hours old."""
    if row["capacity"] is None or row["used"] is None:
        return "How much is left has not been counted."
    left = max(row["capacity"] - row["used"], 0)
    return f"{words.count(left)} left of {words.count(row['capacity'])} by the {row['basis']}."


def leave_by(picture: Picture, row: dict) -> str:
    """When somebody has to leave so as to be there in time."""
    send_by = row.get("send_by_at")
    if send_by is None:
        return ""
    if send_by <= picture.at:
        return " To be there in time somebody leaves now."
    return f" To be there in time somebody leaves by {words.clock(send_by, picture.zone, picture.at)}."
