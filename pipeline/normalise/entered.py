"""What people enter by hand: which entries stand, which feed's row each says, and the steps of a ticket they report.

An entry whose action is in `words.ENTRY_ROWS` says one row of that feed in its values, under the feed's own names. An
entry of action `ticket-state` moves a ticket on; it is laid over the hotline's state when the log is read. An entry
that names another in `withdraws` takes that one back, and may be taken back in its turn.
"""

import json
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.contracts.feeds import OCCURRED, schema_of
from pipeline.contracts.moments import parse_time
from pipeline.contracts.words import ENTRY_ROWS, TICKET_STATE, TICKET_STATUSES
from pipeline.normalise.privacy import NAME

# Where an entry does not say when: as it was entered. When an outage began is not when somebody tells of it.
MOMENTS = {kind: column for kind, column in OCCURRED.items() if kind != "outages"}
FILLED = {"tickets": {"status": "open"}, "status": {"sequence": "0"}}  # what a person need not say
STATE_TEXTS, STATE_TIMES = ("rover_id", "resolution"), ("assigned_at", "arrived_at", "resolved_at")


def said(values: object) -> dict[str, Any]:
    """The values of an entry, as JSON or taken apart already; badly written ones say nothing."""
    if isinstance(values, dict):
        return values
    try:
        found = json.loads(str(values or "{}"))
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def withdrawn(entries: pl.DataFrame) -> set[str]:
    """The ids of the entries that have been taken back. Later ones first: a withdrawal can be taken back too."""
    order = entries.sort("received_at", "at", "entry_id", descending=True).select("entry_id", "withdraws")
    gone: set[str] = set()
    for entry_id, withdraws in order.iter_rows():
        if withdraws is not None and entry_id not in gone:
            gone.add(withdraws)
    return gone


def standing(entries: pl.DataFrame) -> pl.DataFrame:
    """The entries that count: neither taken back, nor there only to take another back."""
    gone = list(withdrawn(entries))
    return entries.filter(pl.col("withdraws").is_null() & ~pl.col("entry_id").is_in(gone))


def people_in(told: dict[str, Any], action: str | None) -> list[str]:
    """The names of the values that name people: callers, counters, witnesses."""
    kind = ENTRY_ROWS.get(action or "")
    columns = schema_of(kind).columns if kind else {}
    return [name for name, c in columns.items() if (c.metadata or {}).get("personal") and told.get(name)]


def without_people(values: str | None, action: str | None) -> tuple[str | None, str | None]:
    """An entry's values with people left out, and the people, for masking them elsewhere in the entry."""
    told = said(values)
    personal = people_in(told, action)
    if not personal:
        return values, None
    shown = told | dict.fromkeys(personal, NAME)
    return json.dumps(shown, ensure_ascii=False), "; ".join(str(told[name]) for name in personal)


def row_said(kind: str, target: str | None, at: str | None, values: str | None) -> dict[str, str | None]:
    """The row of a feed that an entry says: its values, with its target and time where the values leave them out.

    Parameters
    ----------
    kind : a kind of feed
    target : what the entry is about: the first column of the kind
    at : when it was entered, RFC 3339
    """
    columns = list(schema_of(kind).columns)
    told: dict[str, str | None] = {
        str(name): value if isinstance(value, str) else json.dumps(value)
        for name, value in said(values).items()
        if value is not None
    }
    filled: dict[str, str | None] = {columns[0]: target, **FILLED.get(kind, {})}
    if kind in MOMENTS:
        filled[MOMENTS[kind]] = at
    return filled | {name: value for name, value in told.items() if value != ""}


def with_states(tickets: pl.DataFrame, entries: pl.DataFrame) -> pl.DataFrame:
    """The tickets moved on by what people entered; progress never goes back, except by a withdrawal.

    Parameters
    ----------
    tickets : the latest states of the feed
    entries : every entry known by then
    """
    own = standing(entries).filter((pl.col("action") == TICKET_STATE) & pl.col("target").is_not_null())
    if own.is_empty() or tickets.is_empty():
        return tickets
    moved: dict[str, dict[str, Any]] = {}
    for target, values in own.sort("received_at", "at", "entry_id").select("target", "values").iter_rows():
        moved.setdefault(target, {}).update(state_said(said(values)))
    rows = [onward(row, moved[row["ticket_id"]]) for row in tickets.to_dicts() if row["ticket_id"] in moved]
    if not rows:
        return tickets
    kept = tickets.filter(~pl.col("ticket_id").is_in([row["ticket_id"] for row in rows]))
    return pl.concat([kept, pl.DataFrame(rows, schema=tickets.schema, orient="row")]).sort("ticket_id")


def state_said(values: dict[str, Any]) -> dict[str, Any]:
    """The fields of a ticket's state that an entry tells, those that cannot be read left out."""
    found: dict[str, Any] = {name: str(values[name]) for name in STATE_TEXTS if values.get(name)}
    if values.get("status") in TICKET_STATUSES:
        found["status"] = values["status"]
    for name in STATE_TIMES:
        moment = moment_said(values.get(name))
        if moment is not None:
            found[name] = moment
    return found


def moment_said(text: object) -> datetime | None:
    """A moment with its offset, None for anything else."""
    try:
        return parse_time(str(text)) if text else None
    except ValueError:
        return None


def onward(row: dict[str, Any], told: dict[str, Any]) -> dict[str, Any]:
    """A ticket's row with what was entered; the further of the two states stands."""
    order = TICKET_STATUSES.index
    ours, theirs = told.get("status") or row["status"], row["status"]
    further = ours if theirs not in TICKET_STATUSES or order(ours) >= order(theirs) else theirs
    return row | told | {"status": further}
