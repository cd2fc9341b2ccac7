"""What people have decided about rovers and stops, read from the entries known at T: it binds the next plan.

An entry counts from its receipt until it is withdrawn or a later one says otherwise. What names a rover or a site that
no roster lists, or cannot be read, decides nothing and is told as a note.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.contracts.known import Known
from pipeline.contracts.words import DECISIONS
from pipeline.normalise.entered import moment_said, said, standing

EVERYBODY = "*"


@dataclass(frozen=True)
class Given:
    """A stop that a person gave to a rover."""

    rover_id: str
    at: datetime
    is_pinned: bool  # it comes next, whatever it saves


@dataclass
class Decisions:
    """The decisions in force at T."""

    given: dict[str, Given] = field(default_factory=dict)  # by site
    forbidden: set[tuple[str, str]] = field(default_factory=set)  # rover or `*`, site
    away: dict[str, datetime | None] = field(default_factory=dict)  # rovers not to be sent anywhere, until when
    cleared: dict[str, datetime] = field(default_factory=dict)  # sites where danger is over, since when
    two: dict[str, datetime] = field(default_factory=dict)  # sites whose stop takes two rovers, since when
    notes: list[str] = field(default_factory=list)  # what could not be followed, and why

    def may_go(self, rover_id: str, site_id: str) -> bool:
        """Whether nobody has forbidden this rover this site."""
        return not {(rover_id, site_id), (EVERYBODY, site_id)} & self.forbidden


def decisions(known: Known) -> Decisions:
    """The decisions in force, later ones over earlier ones; order of rows does not matter."""
    found = Decisions()
    rows = standing(known.entries).filter(pl.col("action").is_in(list(DECISIONS)))
    rovers, sites = set(known.rovers["rover_id"]), set(known.sites["site_id"])
    for row in rows.sort("at", "received_at", "entry_id").iter_rows(named=True):
        lacking = missing(row, rovers, sites)
        if lacking:
            found.notes.append(f"{row['action']} ({row['entry_id']}): {lacking}; it decides nothing. Enter it again.")
        else:
            apply(found, known.at, row)
    free_the_stops_of_absent_rovers(found)
    return found


def missing(row: Mapping[str, Any], rovers: set[str], sites: set[str]) -> str | None:
    """What a decision lacks, in words; None where it can be followed."""
    about = DECISIONS[row["action"]][0]
    values, target = said(row["values"]), row["target"]
    if about == "the site":
        return None if target in sites else f"no site {target!r} in the roster"
    if target not in rovers and not (target == EVERYBODY and row["action"] == "stop-forbidden"):
        return f"no rover {target!r} in the roster"
    if row["action"].startswith("stop-") and values.get("site_id") not in sites:
        return f"no site {values.get('site_id')!r} in the roster"
    if row["action"] == "stop-handed-over" and values.get("to") not in rovers:
        return f"no rover {values.get('to')!r} in the roster"
    return None


def apply(found: Decisions, at: datetime, row: Mapping[str, Any]) -> None:
    """Adds one decision to those before it."""
    action, target, values = row["action"], row["target"], said(row["values"])
    site_id = str(values.get("site_id"))
    match action:
        case "stop-accepted" | "stop-pinned":
            found.given[site_id] = Given(target, row["at"], action == "stop-pinned")
            found.forbidden -= {(target, site_id), (EVERYBODY, site_id)}
        case "stop-handed-over":
            found.given[site_id] = Given(str(values["to"]), row["at"], False)
            found.forbidden -= {(str(values["to"]), site_id), (EVERYBODY, site_id)}
        case "stop-forbidden":
            found.forbidden.add((target, site_id))
            if site_id in found.given and not found.may_go(found.given[site_id].rover_id, site_id):
                del found.given[site_id]
        case "two-needed":
            found.two[target] = row["at"]
        case "danger-cleared":
            found.cleared[target] = row["at"]
        case "rover-unavailable":
            until = moment_said(values.get("until"))
            if until is None or until > at:
                found.away[target] = until
        case "rover-available":
            found.away.pop(target, None)


def free_the_stops_of_absent_rovers(found: Decisions) -> None:
    """Drops the stops that were given to rovers which are unavailable now, each with a note."""
    for site_id, given in sorted(found.given.items()):
        if given.rover_id in found.away:
            found.notes.append(f"{given.rover_id} was given {site_id} and is unavailable: the stop is anybody's again.")
            del found.given[site_id]
