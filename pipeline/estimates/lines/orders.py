"""Orders that stop voting at a site: suspended, or moved to another place; since when, until when, and who says so.

A stop ends when the site reports that voting goes on, or when its units show that it does.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.contracts.moments import spelled
from pipeline.contracts.words import VOTING_STEPS
from pipeline.estimates.lines import observations
from pipeline.estimates.lines.observations import Roster

MOVES = {"minute": pl.Int64, "site": pl.Int64, "is_end": pl.Boolean}
SHOWN = 2.0  # voters checked in, or ballots read, from one report to the next: somebody is served; our choice [count]
CLEARED = 45.0  # ballots read later than this are not of those who were inside at the order; our choice [min]


@dataclass(frozen=True)
class Stop:
    """Nobody is served at a site from `start` to before `end` [min after local midnight], and what ends it."""

    site: int
    is_move: bool
    start: float
    end: float
    ended_by: str


def stops_of(known: Known, facts: Roster) -> list[Stop]:
    """The stops of every site, in order of their start.

    A place that was moved is taken to serve again after `lines.relocation_minutes`, if nobody says otherwise.
    """
    steps = known.milestones.filter(pl.col("milestone").is_in(VOTING_STEPS)).join(
        observations.site_index(facts), on="site_id"
    )
    timed = steps.with_columns(minute=observations.minute_of("at", known)).sort("minute", "milestone")
    stops: list[Stop] = []
    for site, milestone, minute in timed.select("site", "milestone", "minute").iter_rows():
        going = [stop.site == site and not stop.ended_by for stop in stops]
        stops = [replace(s, end=minute, ended_by="reported") if on else s for s, on in zip(stops, going, strict=True)]
        if milestone in ("suspended", "relocated"):
            stops.append(Stop(site, milestone == "relocated", minute, np.inf, ""))
    shown = served(known, facts, {stop.site for stop in stops}) if stops else pl.DataFrame()
    return [ended(stop, shown, known.settings["lines.relocation_minutes"]) for stop in stops]


def ended(stop: Stop, shown: pl.DataFrame, move_minutes: float) -> Stop:
    """A stop with the end that units show, if that comes first; of a move that nobody ended, the end assumed."""
    least = pl.when(pl.col("is_book")).then(stop.start).otherwise(stop.start + CLEARED)
    since = shown.filter((pl.col("site") == stop.site) & (pl.col("start") >= least))["start"].to_list()
    if since and min(since) < stop.end:
        return replace(stop, end=min(since), ended_by="units")
    return replace(stop, end=stop.start + move_minutes) if stop.is_move and not stop.ended_by else stop


def served(known: Known, facts: Roster, sites: set[int]) -> pl.DataFrame:
    """When units of some sites show that somebody was served: site, is_book, start of the span [min]."""
    status = observations.running_totals(known, facts).filter(pl.col("site").is_in(list(sites)))
    by = ("kind", "site", "slot")
    grown = pl.col("total") - pl.col("total").shift().over(by)
    spans = status.filter(pl.col("total").is_not_null()).with_columns(
        grown=grown, start=pl.col("minute").shift().over(by)
    )
    return spans.filter(pl.col("grown") >= SHOWN).select("site", "start", is_book=pl.col("kind") == "book")


def halted(stops: list[Stop], sites: int, grid: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Where nobody is served by order: sites x minutes."""
    found = np.zeros((sites, len(grid)), bool)
    for stop in stops:
        found[stop.site] |= (grid >= stop.start) & (grid < stop.end)
    return found


def moves_of(stops: list[Stop]) -> pl.DataFrame:
    """The minutes at which places were moved, and at which they are known to serve again (`is_end`): minute, site."""
    rows = [(int(np.ceil(stop.start)), stop.site, False) for stop in stops if stop.is_move]
    rows += [(int(np.ceil(stop.end)), stop.site, True) for stop in stops if stop.is_move and stop.ended_by]
    return pl.DataFrame(rows, schema=MOVES, orient="row").sort(*MOVES)


def with_notes(facts: Roster, stops: list[Stop], now: int) -> Roster:
    """The sites with a note for each order that has been given by T."""
    notes = [list(own) for own in facts.notes]
    for stop in stops:
        if stop.start <= now:
            notes[stop.site].append(note_of(stop, now))
    return replace(facts, notes=notes)


def note_of(stop: Stop, now: int) -> str:
    """An order in words, with how long ago it was given and what has ended it."""
    said = f"{'moved by order' if stop.is_move else 'voting suspended'} {spelled(now - int(stop.start))} ago"
    if stop.ended_by and stop.end <= now:
        how = "as reported" if stop.ended_by == "reported" else "as its units show"
        return f"{said}, serving again since {spelled(now - int(stop.end))} ago, {how}"
    if stop.is_move and stop.end <= now:
        return f"{said}: taken to be set up again, though nobody has said so; how many came along is not known"
    return f"{said}: taken to serve nobody"
