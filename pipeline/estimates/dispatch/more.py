"""What more rovers would save: from now on by the plan, and so far by the day's own visits."""

import math
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import cast

import polars as pl
from pandera.typing.polars import DataFrame

from pipeline.contracts.events import RoverRows
from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.needs import joined
from pipeline.estimates.dispatch.travel import Place, drive_minutes

ASKED = {
    "rovers": pl.Int64,
    "when": pl.String,
    "voter_minutes_saved": pl.Float64,
    "stops": pl.Int64,
    "basis": pl.String,
}


@dataclass(frozen=True)
class Visit:
    """A visit of the day: when it was asked for, where, how long it took, and the people held up."""

    opened: float  # [min before T, below nought]
    place: Place
    minutes: float
    people: float


def with_rovers(known: Known, count: int) -> Known:
    """What is known, with so many more rovers: at the depot or amid the sites, on shift, able to do all, no parts."""
    start = known.county.depot or middle(known)
    if start is None or known.rovers.is_empty():
        shift = known.at - timedelta(hours=1), known.at + timedelta(hours=12)
    else:
        shift = known.rovers["on_shift_at"].min(), known.rovers["off_shift_at"].max()  # type: ignore[assignment]
    place = start or (0.0, 0.0)
    rows = [
        {
            "rover_id": f"+{number}",
            "latitude": place[0],
            "longitude": place[1],
            "on_shift_at": shift[0],
            "off_shift_at": shift[1],
        }
        for number in range(1, count + 1)
    ]
    schema = known.rovers.schema
    more = pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema, orient="row")
    return replace(known, rovers=cast(DataFrame[RoverRows], pl.concat([known.rovers, more])))


def middle(known: Known) -> Place | None:
    """The middle of the sites."""
    north, east = known.sites["latitude"].median(), known.sites["longitude"].median()
    return (float(north), float(east)) if isinstance(north, float) and isinstance(east, float) else None


def saved_by(plan: pl.DataFrame) -> float:
    """Voter-minutes that a plan saves."""
    return float(plan["voter_minutes_saved"].sum())


def saved_so_far(known: Known, tickets: pl.DataFrame, count: int) -> tuple[float, int]:
    """Voter-minutes that more rovers would have saved on the visits made so far, and the number of visits.

    Both crews serve the day's own visits, first come, by the rover that is there first, with the visits' real lengths.
    A minute of wait costs the people that a trouble of its severity is taken to hold up at least (`least_people_N`).
    """
    visits = visits_of(known, tickets)
    starts = [(a, b) for a, b in known.rovers.sort("rover_id").select("latitude", "longitude").iter_rows()]
    more = with_rovers(known, count).rovers.tail(count)
    extra = [(a, b) for a, b in more.select("latitude", "longitude").iter_rows()]
    if not visits or not starts:
        return 0.0, len(visits)
    return max(0.0, waited(known, visits, starts) - waited(known, visits, starts + extra)), len(visits)


def visits_of(known: Known, tickets: pl.DataFrame) -> list[Visit]:
    """The visits that have been made, first come first."""
    places = {s: (a, b) for s, a, b in known.sites.select("site_id", "latitude", "longitude").iter_rows()}
    rows = joined(known, tickets).filter((pl.col("arrived_at") <= known.at) & pl.col("site_id").is_in(list(places)))
    found = []
    for row in rows.sort("opened_at", "ticket_id").iter_rows(named=True):
        end = row["resolved_at"]
        length = (end - row["arrived_at"]).total_seconds() / 60 if end else known.settings["dispatch.visit_minutes"]
        found.append(
            Visit(
                opened=(row["opened_at"] - known.at).total_seconds() / 60,
                place=places[row["site_id"]],
                minutes=min(240.0, max(1.0, length)),
                people=known.settings[f"dispatch.least_people_{min(4, max(1, row['severity'] or 4))}"],
            )
        )
    return found


def waited(known: Known, visits: list[Visit], starts: list[Place]) -> float:
    """Person-minutes of waiting until a rover arrives, first come, each visit by the rover that is there first."""
    places, free, total = list(starts), [-math.inf] * len(starts), 0.0
    for visit in visits:
        drives = drive_minutes(places, [visit.place], known.settings)[:, 0]
        there = [max(f, visit.opened) + float(d) for f, d in zip(free, drives, strict=True)]
        r = min(range(len(there)), key=lambda k: (there[k], k))
        total += visit.people * (there[r] - visit.opened)
        places[r], free[r] = visit.place, there[r] + visit.minutes
    return total


def answer(known: Known, tickets: pl.DataFrame, now: pl.DataFrame, then: pl.DataFrame, count: int) -> pl.DataFrame:
    """What so many more rovers would have saved and would save: one row each.

    Parameters
    ----------
    now, then : the estimate Dispatch as it stands, and with the rovers (`with_rovers`)
    """
    so_far, visits = saved_so_far(known, tickets, count)
    rows = [
        (count, "so far", so_far, visits, "the day's visits, first come, with and without; least people by severity"),
        (count, "from now on", max(0.0, saved_by(then) - saved_by(now)), then.height, "the plan with and without"),
    ]
    return pl.DataFrame(rows, schema=ASKED, orient="row")
