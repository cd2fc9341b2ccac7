"""Tickets that repeat each other: the calls of one trouble."""

from collections.abc import Iterable, Mapping
from typing import Any

Row = Mapping[str, Any]


def families(rows: Iterable[Row]) -> dict[str, list[Row]]:
    """The calls of each trouble, by the first ticket of its chain of repeats; in the order of `rows`."""
    by_id = {row["ticket_id"]: row for row in rows}
    parents = {ticket_id: row["same_as"] for ticket_id, row in by_id.items()}
    found: dict[str, list[Row]] = {}
    for ticket_id, row in by_id.items():
        found.setdefault(root_of(ticket_id, parents), []).append(row)
    return dict(sorted(found.items()))


def root_of(ticket_id: str, parents: Mapping[str, str | None]) -> str:
    """The first ticket of a chain of repeats."""
    seen = {ticket_id}
    while (parent := parents.get(ticket_id)) and parent not in seen:
        seen.add(parent)
        ticket_id = parent
    return ticket_id
