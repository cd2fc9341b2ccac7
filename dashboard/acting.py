"""What one press on a decision enters, what has been done about it already, and which feeds have gone quiet."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contracts.moments import rfc3339
from pipeline.contracts.words import DISMISS, TICKET_STATE
from pipeline.normalise.entered import said, standing

if TYPE_CHECKING:
    from dashboard.data import Picture

NOTE = "note"
ITEM = "item"  # in an entry's values: the line of the list that it is about
ASIDE = timedelta(hours=2)  # how long a line that was put aside stays away; our choice
GAPS = 3  # a feed is quiet after so many of its usual gaps [count]; our choice
LEAST_QUIET = timedelta(minutes=30)  # and never sooner than this; our choice
LEAST_FILES = 4  # files from which a feed has a usual gap [count]
WATCHED = ("tickets", "status", "line-counts", "outages")
Act = tuple[str, str | None, dict[str, Any]]


@dataclass(frozen=True)
class Done:
    """What was last entered about a line of the list."""

    at: datetime
    by: str
    text: str
    is_waiting: bool = False


def mark(target: str, text: str) -> Act:
    """A note that something has been done."""
    return NOTE, target, {"text": text}


def send(stop: Mapping[str, Any], tickets: Sequence[Mapping[str, Any]], at: datetime) -> tuple[Act, ...]:
    """A rover sent: the stop is its own, and the tickets are given to it."""
    action = "stop-pinned" if stop["stop"] == 1 else "stop-accepted"
    state = {"status": "assigned", "rover_id": stop["rover_id"], "assigned_at": rfc3339(at)}
    given = tuple((TICKET_STATE, t["ticket_id"], state) for t in tickets) if stop["stop"] == 1 else ()
    return ((action, stop["rover_id"], {"site_id": stop["site_id"]}), *given)


def called_back(tickets: Sequence[Mapping[str, Any]], at: datetime) -> tuple[Act, ...]:
    """Tickets taken in hand by telephone."""
    return tuple((TICKET_STATE, t["ticket_id"], {"status": "assigned", "assigned_at": rfc3339(at)}) for t in tickets)


def about(key: str, what: str, acts: Sequence[Act]) -> list[Act]:
    """The entries of one press, each with the line of the list that it is about."""
    return [(action, target, {**values, ITEM: key, "what": what}) for action, target, values in acts]


def done(picture: "Picture", waiting: Sequence[Any] = ()) -> dict[str, Done]:
    """Line of the list → what was last entered about it, entries without a receipt too."""
    found: dict[str, Done] = {}
    rows = standing(picture.known.entries).filter(pl.col("action") != DISMISS).sort("at", "entry_id")
    for row in rows.iter_rows(named=True):
        values = said(row["values"])
        if values.get(ITEM):
            found[str(values[ITEM])] = Done(row["at"], row["by"], words_of(row["action"], values))
    for told in waiting:
        if told.values.get(ITEM):
            text = "waits for its receipt" if told.state.startswith("◌") else told.state
            found[str(told.values[ITEM])] = Done(told.at, told.by, text, True)
    return found


def words_of(action: str, values: Mapping[str, Any]) -> str:
    """What an entry says, short."""
    return str(values.get("text") or values.get("status") or action.replace("-", " "))


def aside(picture: "Picture", waiting: Sequence[Any] = ()) -> set[str]:
    """The lines of the list that were put aside lately."""
    rows = standing(picture.known.entries).filter(
        (pl.col("action") == DISMISS) & (pl.col("at") > picture.at - ASIDE) & pl.col("target").is_not_null()
    )
    return {*rows["target"].to_list(), *(told.target for told in waiting if told.action == DISMISS)}


def quiet_feeds(receipts: pl.DataFrame, at: datetime) -> Iterator[tuple[str, datetime, float]]:
    """Feeds that came regularly and no longer do: kind, last receipt, usual gap [min]."""
    for kind in WATCHED:
        times = receipts.filter((pl.col("kind") == kind) & pl.col("refused").is_null())["received_at"].unique().sort()
        if len(times) < LEAST_FILES:
            continue
        gap = times.diff().drop_nulls().median()
        last = times[-1]
        if isinstance(gap, timedelta) and at - last > max(GAPS * gap, LEAST_QUIET):
            yield kind, last, gap / timedelta(minutes=1)


def later_today(picture: "Picture", text: str) -> str | None:
    """A time of the county's clock that is still to come, as RFC 3339; None for anything else."""
    try:
        hour, minute = (int(part) for part in text.split(":"))
        there = picture.at.astimezone(ZoneInfo(picture.zone)).replace(hour=hour, minute=minute, second=0, microsecond=0)
    except ValueError:
        return None
    return rfc3339(there if there > picture.at else there + timedelta(days=1))
