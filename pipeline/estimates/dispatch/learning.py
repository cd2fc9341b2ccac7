"""What the day's own tickets teach: how often a rover is needed, how long a visit takes, how long one waits for it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.skills import SKILLS


@dataclass(frozen=True)
class Learnt:
    """What the day's own tickets say of a category, pooled with our figures."""

    needs_rover: float
    visit_minutes: float
    usual_minutes: float  # from a call to an arrival, over all categories


def learnt(known: Known, rows: pl.DataFrame) -> dict[str, Learnt]:
    """By category: the chance that a ticket needs a rover, and a visit's minutes, from the tickets resolved so far.

    Each is the mean of the day's tickets and `pooled_tickets` imagined ones at our figure (a Beta prior's mean).
    """
    weight, usual = known.settings["dispatch.pooled_tickets"], known.settings["dispatch.visit_minutes"]
    done = rows.filter(pl.col("status") == "resolved").with_columns(
        minutes=(pl.col("resolved_at") - pl.col("arrived_at")).dt.total_seconds() / 60
    )
    found, arrival = {}, usual_minutes(known, rows)
    for category in SKILLS:
        own = done.filter(pl.col("category") == category)
        visits = own["minutes"].drop_nulls().to_list()
        visits = [m for m in visits if 1 <= m <= 240]  # shorter or longer is a slip of the clock
        prior = known.settings[f"dispatch.needs_rover_{category.replace('-', '_')}"]
        visited = own["arrived_at"].drop_nulls().len()
        found[category] = Learnt(
            (weight * prior + visited) / (weight + own.height),
            (weight * usual + sum(visits)) / (weight + len(visits)),
            arrival,
        )
    return found


def still_needs(known: Known, row: Mapping[str, Any], chance: float, usual_minutes: float) -> float:
    """The chance that a ticket still open needs a rover, by Bayes on three kinds of tickets.

    Those that the phone can settle leave in `phone_minutes` on average once it is tried; all that are real get a rover
    or a second call in `usual_minutes` on average; `left_open` of all are settled and never closed. So one that the
    phone did not settle is likelier to need a rover, and one that nobody has spoken of for hours is likelier to be an
    old entry than an old trouble.
    """
    tried = known.at - row["assigned_at"] if row["status"] == "assigned" and row["assigned_at"] else timedelta(0)
    quiet = fading(known.at - row["last_heard_at"], usual_minutes)
    by_phone = (1 - chance) * fading(tried, known.settings["dispatch.phone_minutes"])
    forgotten = known.settings["dispatch.left_open"] * (1 - quiet)
    weight = (chance + by_phone) * quiet + forgotten
    return chance * quiet / weight if weight > 0 else 0.0


def fading(since: timedelta, mean_minutes: float) -> float:
    """The share of what leaves after `mean_minutes` on average that is still there."""
    return math.exp(-max(0.0, since.total_seconds() / 60) / mean_minutes)


def usual_minutes(known: Known, rows: pl.DataFrame) -> float:
    """Minutes from a call to a rover's arrival, or a second call: our figure pooled with the day's arrivals."""
    weight, usual = known.settings["dispatch.pooled_tickets"], known.settings["dispatch.rover_minutes"]
    waited = rows.filter(pl.col("arrived_at") <= known.at).select(
        minutes=(pl.col("arrived_at") - pl.col("opened_at")).dt.total_seconds() / 60
    )["minutes"]
    own = [m for m in waited.to_list() if m >= 0]
    return (weight * usual + sum(own)) / (weight + len(own))


def still_waits(known: Known, overdue_minutes: float) -> float:
    """The chance that a rover's stop is still to be made when its arrival should have been reported so long ago."""
    waits = fading(timedelta(minutes=overdue_minutes), known.settings["dispatch.rover_minutes"])
    return waits / (waits + known.settings["dispatch.left_open"] * (1 - waits))
