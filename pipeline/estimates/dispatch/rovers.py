"""Where each rover is, when it is free, and what it can do and carries."""

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.censored import still_to_go
from pipeline.estimates.dispatch.skills import skills_of
from pipeline.estimates.dispatch.travel import Place, places_of

# Plain words that name a part for a trouble, first that fits; common practice, no source.
PART_WORDS: dict[str, str] = {
    "scanner-jam": r"roller|brush|clean",
    "scanner-down": r"cable|cord|battery|key",
    "memory-card": r"card|memory|media",
    "tape-printer": r"paper|roll(?!er)|thermal",
    "bin-full": r"bin|bag|box|liner",
    "bmd": r"paper|toner|ink|cable",
    "accessible-device": r"head|keypad|audio|phone",
    "poll-book": r"cable|battery|charger|tablet|router|stylus",
    "power": r"battery|cord|cable|generator|extension|light|lamp",
    "ballot-stock": r"ballot",
}
SUPPLY = "supply"  # what a rover without the skill for power brings to a site that may go dark
SUPPLY_WORDS = r"^(battery|generator)$"
BROUGHT = "ballot-stock"  # a stop made to deliver something


@dataclass(frozen=True)
class Rover:
    """One rover at T. Minutes count from T."""

    rover_id: str
    place: Place
    free_at: float  # [min] from T
    free_since: datetime | None  # when it ended its last visit, where known
    skills: frozenset[str]
    parts: Mapping[str, int]
    off_shift: float  # [min] from T
    breaks: tuple[tuple[float, float], ...]  # [min] from T
    site_id: str | None = None  # the site that it last arrived at, where it still is

    def leaves(self, minutes: float) -> float:
        """When it can leave, not in a break [min]."""
        for start, end in self.breaks:
            if start <= minutes < end:
                return end
        return minutes


def rover_states(known: Known, rows: pl.DataFrame, away: Mapping[str, datetime | None] | None = None) -> list[Rover]:
    """The rovers that are on shift at T or will be, by id.

    A rover is where it last arrived, else at its start; while that ticket is open it stays for what is left of a visit.
    `rows` is the tickets' estimate with the times of their visits. Rovers in `away` are not available until then, or at
    all.
    """
    places = places_of(known)
    last: dict[str, dict[str, Any]] = {}
    visits = rows.filter((pl.col("arrived_at") <= known.at) & pl.col("site_id").is_in(list(places)))
    for row in visits.sort("arrived_at", "ticket_id").iter_rows(named=True):
        last[row["rover_id"]] = row
    states = [state(known, row, last.get(row["rover_id"]), places) for row in known.rovers.iter_rows(named=True)]
    return sorted((s for s in with_away(known, states, away or {}) if s.off_shift > 0), key=lambda s: s.rover_id)


def with_away(known: Known, states: list[Rover], away: Mapping[str, datetime | None]) -> Iterator[Rover]:
    """The rovers, without those that are unavailable; one that will be back is free from then."""
    for rover in states:
        if rover.rover_id not in away:
            yield rover
        elif (back := away[rover.rover_id]) is not None:
            yield replace(rover, free_at=max(rover.free_at, minutes_to(known, back)))


def state(known: Known, row: Mapping[str, Any], visit: Mapping[str, Any] | None, places: Mapping[str, Place]) -> Rover:
    """One rover's state from its roster row and the ticket that it arrived at last."""
    free, since = 0.0, None
    if visit is not None:
        since = visit["resolved_at"]
        if visit["status"] != "resolved":
            free = left_of_a_visit(-minutes_to(known, visit["arrived_at"]), known.settings)
    return Rover(
        rover_id=row["rover_id"],
        place=places[visit["site_id"]] if visit else (row["latitude"], row["longitude"]),
        free_at=max(0.0, free, minutes_to(known, row["on_shift_at"])),
        free_since=since,
        skills=skills_of(row["skills"]),
        parts=parts_of(row["parts"]),
        off_shift=minutes_to(known, row["off_shift_at"]),
        breaks=breaks_of(known, row["breaks"]),
        site_id=visit["site_id"] if visit else None,
    )


def left_of_a_visit(elapsed: float, settings: Mapping[str, float]) -> float:
    """How much longer a visit that began so long ago and is not closed will take [min]."""
    usual, spread = settings["dispatch.visit_minutes"], settings["dispatch.visit_spread"]
    return still_to_go(usual, spread, elapsed, settings["dispatch.left_open"])


def minutes_to(known: Known, moment: datetime | None) -> float:
    """Minutes from T to a moment; nought where there is none."""
    return 0.0 if moment is None else (moment - known.at).total_seconds() / 60


def parts_of(text: str | None) -> dict[str, int]:
    """`name:count;…` as counts; a name without a count is one, a count below nought is none."""
    found: dict[str, int] = {}
    for item in (text or "").split(";"):
        name, _, count = item.partition(":")
        if name.strip():
            number = int(count) if re.fullmatch(r"\s*-?\d{1,6}\s*", count) else 1
            found[name.strip()] = max(0, found.get(name.strip(), 0) + number)
    return found


def breaks_of(known: Known, text: str | None) -> tuple[tuple[float, float], ...]:
    """Breaks `HH:MM-HH:MM;…` of election day as minutes from T; what cannot be read is no break."""
    found = []
    for item in (text or "").split(";"):
        clock = re.fullmatch(r"\s*(\d{1,2}):(\d\d)\s*-\s*(\d{1,2}):(\d\d)\s*", item)
        if clock and all(int(h) < 24 for h in clock.group(1, 3)) and all(int(m) < 60 for m in clock.group(2, 4)):
            start, end = (minutes_to(known, on_the_day(known, int(h), int(m))) for h, m in pairs(clock.groups()))
            found.append((start, end if end >= start else end + 24 * 60))
    return tuple(sorted(found))


def pairs(groups: tuple[str, ...]) -> list[tuple[str, str]]:
    """Four texts as two pairs."""
    return [(groups[0], groups[1]), (groups[2], groups[3])]


def on_the_day(known: Known, hour: int, minute: int) -> datetime:
    """A local time of election day, UTC."""
    local = datetime.combine(known.county.election_day, time(hour, minute), ZoneInfo(known.county.zone))
    return local.astimezone(UTC)


def later(known: Known, minutes: float) -> datetime:
    """The moment so many minutes after T."""
    return known.at + timedelta(seconds=round(minutes * 60) if math.isfinite(minutes) else 0)


def part_needed(category: str, settings: Mapping[str, float]) -> float:
    """The chance that a trouble needs a part that fits it."""
    return settings[f"dispatch.part_needed_{category.replace('-', '_')}"]


@lru_cache(maxsize=4096)
def fits(category: str, name: str) -> bool:
    """Whether a part of this name fits a trouble of this category."""
    words = SUPPLY_WORDS if category == SUPPLY else PART_WORDS.get(category)
    return words is not None and re.search(words, name.lower()) is not None


def parts_for(categories: tuple[str, ...], parts: Mapping[str, int]) -> tuple[list[str], list[str]]:
    """The parts to carry for these troubles, and the troubles that a rover has no part for."""
    on_board = sorted(name for name, count in parts.items() if count > 0)
    fitting = {category: [name for name in on_board if fits(category, name)] for category in categories}
    carried = list(dict.fromkeys(name for names in fitting.values() for name in names))
    return carried, [category for category, names in fitting.items() if category in PART_WORDS and not names]
