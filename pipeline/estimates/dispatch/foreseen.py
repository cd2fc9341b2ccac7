"""What no ticket speaks of and somebody should still see to: batteries that end, boxes and stocks, late hand-overs.

Each competes with the tickets by what it is expected to cost, with the deadline after which it begins to cost.
"""

import math
from collections.abc import Collection, Iterator, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.costs import Cost, coming_to
from pipeline.estimates.dispatch.learning import Learnt
from pipeline.estimates.dispatch.needs import Need, units_by_kind, until, unvisited

CARRIED = (
    "media-handed-over",
    "media-received",
    "ballots-handed-over",
    "ballots-received",
)  # steps that move something
LIKELY = 0.5  # a box or a stock that ends before closing with at least that chance [-]; our choice
STOCKS = {  # item of the supplies → category, skill, what it is called; our choice
    "bin": ("bin-full", "scanner", "Ballot box full"),
    "paper": ("tape-printer", "scanner", "Paper used up"),
    "ballots": ("ballot-stock", "supplies", "Ballots used up"),
}


def foreseen(
    known: Known,
    power: pl.DataFrame,
    supplies: pl.DataFrame | None,
    steps: pl.DataFrame | None,
    loads: pl.DataFrame,
    rates: Mapping[str, Learnt],
    taken: Collection[tuple[str, str]],
    away: Collection[str],
) -> list[Need]:
    """The needs without a ticket, by site.

    Parameters
    ----------
    taken : site and category of what the tickets speak of already
    away : sites where danger is reported
    """
    here = {row["site_id"]: row for row in loads.iter_rows(named=True)}
    found = list(threats(known, power, here))
    found += stocks(known, supplies, here, rates) if supplies is not None else []
    found += late_steps(known, steps) if steps is not None else []
    free = [n for n in found if n.site_id not in away and (n.site_id, n.categories[0]) not in taken]
    return sorted(free, key=lambda n: (n.site_id, n.categories, n.unit_id or ""))


def threats(known: Known, power: pl.DataFrame, loads: Mapping[str, Mapping[str, Any]]) -> Iterator[Need]:
    """Sites off mains that may go dark: the unit at most risk of each, with the end of its battery as the deadline."""
    rows = power.filter(
        (pl.col("supply") == "battery")
        & (pl.col("chance_dark") >= known.settings["dispatch.threat_chance"])
        & pl.col("site_id").is_in(known.sites["site_id"].implode())
    ).sort("expected_voter_minutes", "chance_dark", "unit_id", descending=[True, True, False])
    worst = rows.group_by("site_id", maintain_order=True).agg(
        pl.all().first(), all=pl.col("expected_voter_minutes").sum(), ends_at=pl.col("empty_at_mean").min()
    )
    for row in worst.filter(pl.col("all") >= known.settings["dispatch.threat_voter_minutes"]).iter_rows(named=True):
        delay, said = until(known, row["ends_at"]), clock(known, row["ends_at"])
        open_for = (loads.get(row["site_id"]) or {}).get("minutes_to_close") or 0.0
        lasting = unvisited(known, delay, open_for)
        cost = coming_to(row["all"], delay, lasting, known.settings["dispatch.growth_cap_minutes"])
        ends = f"; {row['unit_id']} is expected to be empty about {said}" if row["ends_at"] else ""
        yield need(
            known,
            row["site_id"],
            "power",
            "power",
            cost,
            f"Off mains and may go dark (chance {row['chance_dark']:.0%}, no ticket){ends}.",
            unit_id=row["unit_id"],
            since=row["since"],
            deadline=row["ends_at"],
            severity=2,
            most=row["all"],
        )


def stocks(
    known: Known, supplies: pl.DataFrame, loads: Mapping[str, Mapping[str, Any]], rates: Mapping[str, Learnt]
) -> Iterator[Need]:
    """Boxes that fill and stocks that end soon, the first of each kind at a site."""
    soon = known.settings["dispatch.foreseen_minutes"]
    peers = units_by_kind(known)
    rows = supplies.filter(
        (pl.col("chance_full") >= LIKELY)
        & pl.col("full_at_mean").is_not_null()
        & pl.col("site_id").is_in(known.sites["site_id"].implode())
        & pl.col("item").is_in(list(STOCKS))
    ).sort("full_at_mean", "unit_id", "style", nulls_last=True)
    for (site_id, item), own in rows.group_by("site_id", "item", maintain_order=True):
        row, (category, skill, said) = own.row(0, named=True), STOCKS[str(item)]
        delay = until(known, row["full_at_mean"])
        if delay > soon or (row["full_at_mean"] - known.at).total_seconds() < -60 * soon:
            continue
        load = loads.get(str(site_id)) or {}
        stopped = known.settings.get(f"dispatch.stopped_{category.replace('-', '_')}", 0.0)
        parts = max(1, peers.get((str(site_id), skill), 1)) if item != "ballots" else max(1, own.height)
        growth = stopped * (load.get("arrivals_per_minute") or 0.0) / parts
        least = known.settings["dispatch.least_people_3"]
        thing = row["unit_id"] or f"style {row['style']}"
        yield need(
            known,
            str(site_id),
            category,
            skill,
            Cost(least, growth, delay, known.settings["dispatch.growth_cap_minutes"]),
            f"{said} about {clock(known, row['full_at_mean'])} ({thing}, chance {row['chance_full']:.0%} by closing).",
            unit_id=row["unit_id"],
            deadline=row["full_at_mean"],
            chance=row["chance_full"] * (rates[category].needs_rover if category in rates else 1.0),
            visit=rates[category].visit_minutes if category in rates else None,
        )


def late_steps(known: Known, steps: pl.DataFrame) -> Iterator[Need]:
    """Media and ballots that should have been handed over by now: called first, then fetched by two."""
    late = known.settings["dispatch.step_overdue_minutes"]
    rows = steps.filter(
        (pl.col("standing") == "overdue")
        & pl.col("milestone").is_in(CARRIED)
        & pl.col("site_id").is_in(known.sites["site_id"].implode())
        & ((pl.lit(known.at) - pl.col("due_at")).dt.total_minutes() >= late)
    ).sort("due_at", "milestone")
    for (site_id,), own in rows.group_by("site_id", maintain_order=True):
        row = own.row(0, named=True)
        named = row["milestone"].replace("-", " ")
        yield need(
            known,
            str(site_id),
            "custody",
            None,
            Cost(known.settings["dispatch.least_people_3"], 0.0),
            f"{named[0].upper()}{named[1:]} was due {clock(known, row['due_at'])} and is not reported: call first.",
            since=row["due_at"],
            deadline=row["due_at"],
            chance=known.settings["dispatch.needs_rover_step"],
            people=int(known.settings["dispatch.custody_people"]),
        )


def need(
    known: Known,
    site_id: str,
    category: str,
    skill: str | None,
    cost: Cost,
    said: str,
    *,
    unit_id: str | None = None,
    since: datetime | None = None,
    deadline: datetime | None = None,
    severity: int = 3,
    chance: float = 1.0,
    visit: float | None = None,
    people: int = 1,
    most: float = math.inf,
) -> Need:
    """A need without a ticket; its age begins at T."""
    return Need(
        site_id=site_id,
        skills=frozenset([skill] if skill else []),
        categories=(category,),
        ticket_ids=(),
        unit_id=unit_id,
        since=since or known.at,
        severity=severity,
        cost=cost,
        chance=min(1.0, max(0.0, chance)),
        visit_minutes=visit or known.settings["dispatch.visit_minutes"],
        age=0.0,
        foreseen=said,
        deadline=deadline,
        people=people,
        most=most,
    )


def clock(known: Known, moment: datetime | None) -> str:
    """A moment in the county's zone."""
    return f"{moment.astimezone(ZoneInfo(known.county.zone)):%H:%M}" if moment else "an unknown time"
