"""What more rovers would save: from now on by the plan, and so far by the day's own visits."""

import math
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import cast

import polars as pl
from pandera.typing.polars import DataFrame

from pipeline.contracts.asked import OneMore
from pipeline.contracts.events import RoverRows
from pipeline.contracts.known import Known, empty
from pipeline.estimates.dispatch.dispatch import spread
from pipeline.estimates.dispatch.needs import joined
from pipeline.estimates.dispatch.travel import Place, drive_minutes, places_of

ASKED: dict[str, pl.DataType | type[pl.DataType]] = dict(empty(OneMore).schema)


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
    places = places_of(known)
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


def answer(
    known: Known, tickets: pl.DataFrame, now: pl.DataFrame, then: pl.DataFrame, count: int, loads: pl.DataFrame
) -> pl.DataFrame:
    """What so many more rovers would have saved and would save: one row each.

    Parameters
    ----------
    now, then : the estimate Dispatch as it stands, and with the rovers (`with_rovers`)
    """
    so_far, visits = saved_so_far(known, tickets, count)
    change = f"{count} more rover{'s' if count > 1 else ''}"
    saved = max(0.0, saved_by(then) - saved_by(now))
    past = "the day's visits, first come, with and without; least people by severity"
    return pl.DataFrame(
        [
            one_row(change, "so far", so_far, spread(known, (1.0, 1.0)), visits, past),
            one_row(
                change, "from now on", saved, spread(known, share(loads)), then.height, "the plan with and without"
            ),
        ],
        schema=ASKED,
        orient="row",
    )


def one_row(
    change: str, when: str, saved: float, ends: tuple[float, float], count: int, basis: str
) -> tuple[object, ...]:
    """One answer; `ends` are the 5 % and 95 % over the mean."""
    return change, when, saved, saved * ends[0], saved * ends[1], count, basis


def share(loads: pl.DataFrame) -> tuple[float, float]:
    """The 5 % and 95 % of the voters still to come over their mean, all sites together, as if they erred alike."""
    low, mean, high = (float(loads[f"remaining_voters_{end}"].fill_null(0.0).sum()) for end in ("low", "mean", "high"))
    return (low / mean, high / mean) if mean > 0 else (1.0, 1.0)
