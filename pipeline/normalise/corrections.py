"""What a person has said that a ticket is about: it wins over what was read out of its words, until it is taken back.

An entry of action `ticket-read` has the ticket as its target and any of `site_id`, `unit_id`, `category` and `same_as`
in its values; an empty text says "none" (no unit is meant, it repeats no ticket), a null says nothing. A later entry
speaks for the fields that it names; what names no site, unit, category or ticket that is known is not followed.
"""

from dataclasses import dataclass, field
from typing import Any

import polars as pl

from pipeline.contracts.known import Known
from pipeline.contracts.words import TICKET_CATEGORIES, TICKET_READ
from pipeline.normalise.entered import said, standing

FIELDS = ("site_id", "unit_id", "category", "same_as")


@dataclass(frozen=True)
class Corrections:
    """The fields that people have settled, by ticket; a field that is None is settled as none."""

    by_ticket: dict[str, dict[str, str | None]] = field(default_factory=dict)

    def of(self, ticket_id: str) -> dict[str, str | None]:
        """What has been settled for one ticket."""
        return self.by_ticket.get(ticket_id, {})


def corrections(known: Known) -> Corrections:
    """What people had said by T, of the entries that stand."""
    told = standing(known.entries).filter((pl.col("action") == TICKET_READ) & pl.col("target").is_not_null())
    if told.is_empty():
        return Corrections()
    listed = {
        "site_id": set(known.sites["site_id"]),
        "unit_id": set(known.units["unit_id"]),
        "category": set(TICKET_CATEGORIES),
        "same_as": set(known.tickets["ticket_id"]),
    }
    found: dict[str, dict[str, str | None]] = {}
    for target, values in told.sort("received_at", "at", "entry_id").select("target", "values").iter_rows():
        fields = {name: value for name, value in said(values).items() if name in FIELDS}
        for name, value in fields.items():
            if value in listed[name] and value != target:
                found.setdefault(target, {})[name] = value
            elif value == "" and name != "category":
                found.setdefault(target, {})[name] = None
    return Corrections(found)


def linked(rows: list[dict[str, Any]], settled: Corrections) -> None:
    """Sets `same_as` of the rows as people settled it; a link that would close a ring is not followed."""
    by_id = {row["ticket_id"]: row for row in rows}
    for row in rows:
        fields = settled.of(row["ticket_id"])
        if "same_as" not in fields:
            continue
        row["same_as"], row["same_as_confidence"] = None, None
        target = fields["same_as"]
        if target is not None and row["ticket_id"] not in chain(by_id, target):
            row["same_as"], row["same_as_confidence"] = target, 1.0


def chain(by_id: dict[str, dict[str, Any]], ticket_id: str | None) -> list[str]:
    """A ticket and those that it repeats, one after the other."""
    seen: list[str] = []
    while ticket_id is not None and ticket_id not in seen:
        seen.append(ticket_id)
        ticket_id = by_id[ticket_id]["same_as"] if ticket_id in by_id else None
    return seen
