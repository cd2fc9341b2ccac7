"""Cautions that stand beside advice which can hurt someone: the usual rule, its source, and who decides.

They repeat general public guidance and never replace local codes, election law or a licensed person's word.
Sources were read second-hand or remembered; the organisation is named in each.
"""

from collections.abc import Mapping
from datetime import datetime

import polars as pl

LOCAL = "Local rules and licensed people decide."
DANGER = (
    "Danger first: call 911, move people away, tell the election official. "
    "No technician goes there until the official says that it is cleared."
)
GENERATOR = (
    "Generator: outdoors only, at least 20 ft from doors, windows and vents, exhaust pointing away; carbon monoxide "
    "kills (CPSC). Never feed a building's wiring from a plug; a licensed electrician connects it."
)
DOWNED_LINE = (
    "Keep at least 10 ft from any overhead or fallen line, treat it as live and call the utility (OSHA); "
    "if a line is down, do not go in, call 911."
)
BATTERY = (
    "A swollen, hot, smoking or leaking battery: do not touch, move or charge it; move people away and call 911. "
    "Do not charge below freezing or above 40 °C (NFPA)."
)
SEALS = (
    "Seals and ballot compartments are opened only as the county's procedure says, with two people present; "
    "write down the seal numbers and times (common practice, no source)."
)
BETWEEN_VOTERS = (
    "Work between voters; nobody is turned away while voting can go on another way: the election official decides how "
    "(common practice, no source)."
)
CONDUCT = (
    "Conduct is for the election official, and for the police if the official calls them; a technician settles no "
    "quarrel and takes no side (common practice, no source)."
)
LEGAL = (
    "Questions of election law, of who may vote or how, go to the election official or the county's counsel, never to "
    "a technician (common practice, no source)."
)
ACCESSIBLE = (
    "Restart only between voters, with the accessible device connected first, and note it in the log; "
    "until it works the official arranges another accessible way to vote (common practice, no source)."
)
CROWD = (
    "Keep exits and the accessible route clear; tell the election official if a crowd builds up "
    "(common practice, no source)."
)

CAUTIONS: dict[str, tuple[str, ...]] = {
    "scanner-jam": (SEALS, BETWEEN_VOTERS),
    "scanner-down": (SEALS, BETWEEN_VOTERS, BATTERY),
    "memory-card": (SEALS, BETWEEN_VOTERS),
    "tape-printer": (SEALS, BETWEEN_VOTERS),
    "bin-full": (SEALS, BETWEEN_VOTERS),
    "bmd": (BETWEEN_VOTERS,),
    "accessible-device": (ACCESSIBLE,),
    "poll-book": (BETWEEN_VOTERS, CROWD),
    "power": (GENERATOR, DOWNED_LINE, BATTERY),
    "ballot-stock": (SEALS, CROWD),
    "seal": (SEALS,),
    "long-line": (CROWD,),
    "custody": (SEALS,),
    "conduct": (CONDUCT, CROWD),
    "procedure": (LEGAL,),
    "safety": (DANGER,),
}


def caution_for(categories: list[str]) -> str | None:
    """Every caution that goes with these ticket categories, each once, or null where there is none."""
    parts = dict.fromkeys(text for category in categories for text in CAUTIONS.get(category, ()))
    return " ".join([*parts, LOCAL]) if parts else None


def danger(tickets: pl.DataFrame, cleared: Mapping[str, datetime] | None = None) -> pl.DataFrame:
    """The open safety tickets of a Tickets frame: no technician is sent to their sites until a person says so.

    Parameters
    ----------
    cleared : sites that were marked cleared, and when (`decisions.Decisions.cleared`); a later ticket is danger again
    """
    named = (pl.col("category") == "safety") | pl.col("categories").list.contains("safety")
    found = tickets.filter(named & (pl.col("status") != "resolved")).sort("opened_at", "ticket_id")
    for site_id, at in (cleared or {}).items():
        found = found.filter(~(pl.col("site_id").eq_missing(pl.lit(site_id)) & (pl.col("opened_at") <= at)))
    return found


def danger_sites(tickets: pl.DataFrame, cleared: Mapping[str, datetime] | None = None) -> set[str]:
    """The sites where danger is reported; as `danger`."""
    return set(danger(tickets, cleared)["site_id"].drop_nulls())
