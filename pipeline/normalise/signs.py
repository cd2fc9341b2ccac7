"""What the units and the lines of a place showed when a ticket was opened: it speaks for some kinds of trouble.

Each sign adds to the weight of a category, in the same natural log of odds as the words: 1 makes it 2.7 times as
likely. The weights are our choice. A report counts from its own time, and is taken to hold until the unit's next.
"""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import polars as pl

from pipeline.contracts.known import Known
from pipeline.normalise import units
from pipeline.normalise.kept import kept

BEFORE, AFTER = timedelta(minutes=25), timedelta(minutes=12)  # reports this near to a ticket speak for it: our choice
OWN_AFTER = BEFORE / 2  # and a new trouble of a scanner this long after a ticket tells which one is meant: our choice
STALE = timedelta(minutes=60)  # a state that was not confirmed for this long is forgotten: our choice
MANY = 25  # people counted in a line that make a call about the line likely [count]: our choice
SCANNERS, MARKERS, BOOKS = (units.TYPES[kind] for kind in ("scanner", "bmd", "pollbook"))

# What a report shows, the types of unit it is read from, and what it speaks for. Our choice.
STATES: tuple[tuple[pl.Expr, tuple[str, ...], str, float], ...] = (
    (pl.col("state") == "fault", SCANNERS, "scanner-down", 1.0),
    (pl.col("state") == "fault", MARKERS, "bmd", 1.0),
    (pl.col("state") == "fault", BOOKS, "poll-book", 1.0),
    (pl.col("paper").is_in(["low", "out"]), SCANNERS, "tape-printer", 0.8),
    (pl.col("paper").is_in(["low", "out"]), MARKERS, "bmd", 0.8),
    (pl.col("power") == "battery", (*SCANNERS, *MARKERS, *BOOKS), "power", 1.0),
    (pl.col("cards").is_in(["one", "none"]), SCANNERS, "memory-card", 1.0),
    (pl.col("modem") == "down", SCANNERS, "transmission", 0.8),
    (pl.col("accessible") == "absent", (*SCANNERS, *MARKERS), "accessible-device", 1.0),
)
EVENTS: tuple[tuple[str, tuple[str, ...], str, float], ...] = (
    ("jams", SCANNERS, "scanner-jam", 1.0),
    ("misfeeds", SCANNERS, "scanner-jam", 0.5),
    ("jams", MARKERS, "bmd", 0.8),
)
FAULT = "fault"
ROSTERS_KEPT = 2  # the present one, and that of a past moment [count]
COUNTED = ("site_id", "at", "checkin_line", "scanner_line")
READ = (
    "unit_id",
    "occurred_at",
    "sequence",
    "state",
    "power",
    "paper",
    "cards",
    "modem",
    "accessible",
    "jams",
    "misfeeds",
)


@dataclass
class UnitSigns:
    """One unit's changes of state, in order, and the times at which its counters of trouble rose, or a fault began."""

    times: list[datetime] = field(default_factory=list)
    shown: list[tuple[bool, ...]] = field(default_factory=list)
    last_heard: datetime | None = None
    rises: dict[str, list[datetime]] = field(default_factory=lambda: defaultdict(list))

    def rose(self, counter: str, when: datetime, after: timedelta) -> bool:
        """Whether a counter rose from `BEFORE` before a time to so long after it."""
        times = self.rises.get(counter, [])
        at = bisect_left(times, when - BEFORE)
        return at < len(times) and times[at] <= when + after


@dataclass
class Signs:
    """What units and lines showed through the day."""

    units: dict[str, UnitSigns]
    types: dict[str, str]
    at_site: dict[str, list[str]]
    lines: dict[str, list[tuple[datetime, int]]]

    def at(self, site_id: str | None, unit_id: str | None, when: datetime) -> dict[str, float]:
        """The weight that was shown for each category at a place about a time, by one unit where it is known."""
        found: dict[str, float] = {}
        for unit in [unit_id] if unit_id else self.at_site.get(site_id or "", []):
            for category, weight in self.of_unit(unit, when):
                found[category] = max(found.get(category, 0.0), weight)
        counts = self.lines.get(site_id or "", [])
        i = bisect_right(counts, (when + AFTER, 0))
        if i and counts[i - 1][1] >= MANY and counts[i - 1][0] >= when - STALE:
            found["long-line"] = 1.0
        return found

    def of_unit(self, unit_id: str, when: datetime) -> Iterable[tuple[str, float]]:
        """What one unit showed."""
        seen, kind = self.units.get(unit_id), self.types.get(unit_id, "")
        if seen is None:
            return
        i = bisect_right(seen.times, when + AFTER)
        if i and seen.last_heard and seen.last_heard >= when - STALE:
            for (_, kinds, category, weight), is_shown in zip(STATES, seen.shown[i - 1], strict=True):
                if is_shown and kind in kinds:
                    yield category, weight
        for counter, kinds, category, weight in EVENTS:
            if kind in kinds and seen.rose(counter, when, AFTER):
                yield category, weight

    def scanner_meant(self, site_id: str | None, category: str, when: datetime) -> str | None:
        """The one scanner of a site that reported a new jam or fault about a time; none if several did."""
        if category not in ("scanner-jam", "scanner-down"):
            return None
        hit = [
            unit
            for unit in self.at_site.get(site_id or "", [])
            if self.types[unit] in SCANNERS
            and unit in self.units
            and any(self.units[unit].rose(what, when, OWN_AFTER) for what in ("jams", FAULT))
        ]
        return hit[0] if len(hit) == 1 else None


def signs(known: Known) -> Signs:
    """What units and lines showed, from the reports and counts known at T."""
    types, at_site = rostered(known.units.select("unit_id", "site_id", "type"))
    return Signs(reported(known.status.select(READ)), types, at_site, counted(known.line_counts.select(COUNTED)))


@kept(ROSTERS_KEPT)
def rostered(units_listed: pl.DataFrame) -> tuple[dict[str, str], dict[str, list[str]]]:
    """Each unit's type, and the units of each site."""
    types: dict[str, str] = {}
    at_site: dict[str, list[str]] = defaultdict(list)
    for unit_id, site_id, type_ in units_listed.iter_rows():
        types[unit_id] = type_
        at_site[site_id or ""].append(unit_id)
    at_site.pop("", None)
    return types, dict(at_site)


@kept(1)
def counted(line_counts: pl.DataFrame) -> dict[str, list[tuple[datetime, int]]]:
    """Each site's longer line, count by count."""
    found: dict[str, list[tuple[datetime, int]]] = defaultdict(list)
    for site_id, at, checkin, scanner in line_counts.sort("site_id", "at").iter_rows():
        found[site_id].append((at, int(max(checkin or 0, scanner or 0))))
    return dict(found)


@kept(1)
def reported(status: pl.DataFrame) -> dict[str, UnitSigns]:
    """What the reports of units show, their changes only."""
    found: dict[str, UnitSigns] = defaultdict(UnitSigns)
    if status.is_empty():
        return dict(found)
    names = [f"s{i}" for i in range(len(STATES))]
    rising = sorted({counter for counter, _, _, _ in EVENTS})
    frame = status.sort("unit_id", "occurred_at", "sequence").with_columns(
        *[expression.fill_null(False).alias(name) for name, (expression, _, _, _) in zip(names, STATES, strict=True)],
        *[(pl.col(c).diff().over("unit_id") > 0).fill_null(False).alias(f"+{c}") for c in rising],
        ((pl.col("state") == "fault") & (pl.col("state").shift().over("unit_id") != "fault"))
        .fill_null(False)
        .alias(f"+{FAULT}"),
    )
    packed = pl.struct(names)
    changes = frame.filter((packed != packed.shift().over("unit_id")).fill_null(True))
    for unit_id, at, *shown in changes.select("unit_id", "occurred_at", *names).iter_rows():
        found[unit_id].times.append(at)
        found[unit_id].shown.append(tuple(shown))
    for counter in (*rising, FAULT):
        for unit_id, at in frame.filter(f"+{counter}").select("unit_id", "occurred_at").iter_rows():
            found[unit_id].rises[counter].append(at)
    for unit_id, at in frame.group_by("unit_id").agg(pl.col("occurred_at").max()).iter_rows():
        found[unit_id].last_heard = at
    return dict(found)
