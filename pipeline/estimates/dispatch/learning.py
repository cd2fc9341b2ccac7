"""What the day's own tickets teach: how often a rover is needed, how long a visit takes, how long one waits for it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.censored import Spells, mean_length, mean_without
from pipeline.estimates.dispatch.families import Row, families
from pipeline.estimates.dispatch.skills import SKILLS, for_a_rover

SHORTEST, LONGEST = 1.0, 240.0  # a visit; shorter or longer is a slip of the clock [min]; our choice


@dataclass(frozen=True)
class Learnt:
    """What the day's own tickets say of a category, pooled with our figures."""

    needs_rover: float
    visit_minutes: float
    usual_minutes: float  # from a call to an arrival or a second call, over all categories
    usual_ends: float  # how many ended waits that stands on, imagined ones included [count]


def learnt(known: Known, rows: pl.DataFrame) -> dict[str, Learnt]:
    """By category: the chance that a ticket needs a rover, and a visit's minutes, from the tickets resolved so far.

    The chance is the mean of the day's tickets and `pooled_tickets` imagined ones at our figure (a Beta prior's mean).
    A visit that is still going on counts with its time so far: without it a day of long visits looks short.
    """
    weight, usual = known.settings["dispatch.pooled_tickets"], known.settings["dispatch.visit_minutes"]
    left_open = known.settings["dispatch.left_open"]
    done = rows.filter(pl.col("status") == "resolved")
    found, spells, stood = {}, visits(known, rows), waits(rows, known.at)
    usual_wait = mean_length(stood, weight, known.settings["dispatch.rover_minutes"], left_open)
    for category in SKILLS:
        own = done.filter(pl.col("category") == category)
        prior = known.settings[f"dispatch.needs_rover_{category.replace('-', '_')}"]
        visited = own["arrived_at"].drop_nulls().len()
        found[category] = Learnt(
            (weight * prior + visited) / (weight + own.height),
            mean_length(spells.get(category, Spells()), weight, usual, left_open),
            usual_wait,
            weight + len(stood.ended),
        )
    return found


def visits(known: Known, rows: pl.DataFrame) -> dict[str, Spells]:
    """The day's visits by category; one that is not closed runs while its rover has arrived nowhere else since."""
    there = rows.filter(pl.col("arrived_at") <= known.at).with_columns(
        is_latest=pl.col("arrived_at") == pl.col("arrived_at").max().over("rover_id")
    )
    found: dict[str, Spells] = {}
    for row in there.iter_rows(named=True):
        spells, is_over = found.setdefault(row["category"], Spells()), row["status"] == "resolved"
        took = ((row["resolved_at"] if is_over else known.at) or known.at) - row["arrived_at"]
        minutes = took.total_seconds() / 60
        if is_over and row["resolved_at"] and SHORTEST <= minutes <= LONGEST:
            spells.ended.append(minutes)
        elif not is_over and row["is_latest"] and minutes <= LONGEST:
            spells.running.append(minutes)
    return found


def still_needs(known: Known, row: Mapping[str, Any], rate: Learnt) -> float:
    """The chance that a ticket still open needs a rover, by Bayes on three kinds of tickets.

    Those that the phone can settle leave in `phone_minutes` on average once it is tried; all that are real get a rover
    or a second call in `usual_minutes` on average; `left_open` of all are settled and never closed. So one that the
    phone did not settle is likelier to need a rover, and one that nobody has spoken of for hours is likelier to be an
    old entry than an old trouble. What is usual is learnt from the others: its own time is not counted twice.
    """
    chance, left_open = rate.needs_rover, known.settings["dispatch.left_open"]
    since = known.at - row["last_heard_at"]
    usual = mean_without(rate.usual_minutes, rate.usual_ends, since.total_seconds() / 60, left_open)
    tried = known.at - row["assigned_at"] if row["status"] == "assigned" and row["assigned_at"] else timedelta(0)
    quiet = fading(since, usual)
    by_phone = (1 - chance) * fading(tried, known.settings["dispatch.phone_minutes"])
    forgotten = left_open * (1 - quiet)
    weight = (chance + by_phone) * quiet + forgotten
    return chance * quiet / weight if weight > 0 else 0.0


def fading(since: timedelta, mean_minutes: float) -> float:
    """The share of what leaves after `mean_minutes` on average that is still there."""
    return math.exp(-max(0.0, since.total_seconds() / 60) / mean_minutes)


def waits(rows: pl.DataFrame, at: datetime) -> Spells:
    """How long the day's calls that a rover could be sent for stood, over all categories.

    Those that nobody came for or spoke of again count too, with their time so far: where few were reached yet the
    waits are long, however short those of the few.
    """
    spells = Spells()
    for family in families(row for row in rows.iter_rows(named=True) if for_a_rover(row)).values():
        add_waits(spells, family, at)
    return spells


def add_waits(spells: Spells, family: Sequence[Row], at: datetime) -> None:
    """Adds how long each call of a trouble stood: until an arrival or the next call, or till it was settled."""
    calls = sorted({row["opened_at"] for row in family})  # two entries of one moment are one call
    arrivals = [row["arrived_at"] for row in family if row["arrived_at"] is not None and row["arrived_at"] <= at]
    settled = [row["resolved_at"] for row in family if row["status"] == "resolved" and row["resolved_at"] is not None]
    for number, call in enumerate(calls):
        ends = min((end for end in [*calls[number + 1 :], *arrivals] if end >= call), default=None)
        over = min((end for end in settled if end >= call), default=None)
        until = min(end for end in (ends, over, max(at, call)) if end is not None)
        kind = spells.ended if until == ends else spells.cut if until == over else spells.running
        kind.append((until - call).total_seconds() / 60)


def still_waits(known: Known, overdue_minutes: float) -> float:
    """The chance that a rover's stop is still to be made when its arrival should have been reported so long ago."""
    waits = fading(timedelta(minutes=overdue_minutes), known.settings["dispatch.rover_minutes"])
    return waits / (waits + known.settings["dispatch.left_open"] * (1 - waits))
