"""The agreed shape of every feed, one model a kind: what one row is, its key, its bounds.

A field's `description` says what a good value looks like; intake quotes it when a value fails.
`metadata` carries what pandera has no word for: `form` (how text is read: `clock` local HH:MM, `words` several of a
closed list, `choices`; `names`, `counts` and `spans` several with `;` between), `personal`
(replaced by a token before the row enters the log), `masked` (free text, masked before it enters the log),
`roster` (an id that a roster must list) and `meaning` (what a closed list of words says, for docs/DATA.md).
"""

from functools import cache
from typing import Annotated, Any

import pandera.polars as pa
import polars as pl

from pipeline.contracts import words

Time = Annotated[pl.Datetime, "us", "UTC"]
CLOCK = r"^([01]?\d|2[0-3]):[0-5]\d$"
MANY = 100_000_000  # no county counts more of anything; larger is a slip of the keys [count]


def text_field(description: str, *, nullable: bool = True, **metadata: Any) -> Any:
    """A text field; `nullable` False makes it required."""
    return pa.Field(nullable=nullable, description=description, metadata=metadata or None)


def word_field(choices: tuple[str, ...], meaning: str, *, nullable: bool = True) -> Any:
    """A field that holds one of a closed list of words; `meaning` is for the documentation."""
    return pa.Field(
        nullable=nullable,
        isin=list(choices),
        description="one of " + ", ".join(choices),
        metadata={"form": "word", "meaning": meaning},
    )


def number_field(low: float, high: float, description: str, *, nullable: bool = True) -> Any:
    """A field that holds a number from `low` to `high`, both allowed."""
    return pa.Field(nullable=nullable, ge=low, le=high, description=f"{description}, {low:.15g} to {high:.15g}")


def time_field(description: str, *, nullable: bool = True) -> Any:
    """A field that holds a moment: RFC 3339, or local time in the county's zone."""
    return pa.Field(nullable=nullable, description=description)


def clock_field(description: str, *, nullable: bool = True) -> Any:
    """A field that holds a local time of day, HH:MM."""
    return pa.Field(nullable=nullable, str_matches=CLOCK, description=description, metadata={"form": "clock"})


class Sites(pa.DataFrameModel):
    """One row a polling place. Key: site_id. A re-sent row counts from its receipt."""

    site_id: str = text_field("the site's id", nullable=False)
    name: str = text_field("the site's name", nullable=False)
    aliases: str = text_field("other names, `;` between", form="names")
    address: str = text_field("street address")
    room: str = text_field("room or entrance hall")
    precincts: str = text_field("precincts that vote here, `;` between", form="names")
    latitude: float = number_field(-90, 90, "degrees north", nullable=False)
    longitude: float = number_field(-180, 180, "degrees east", nullable=False)
    opens: str = clock_field("local time HH:MM", nullable=False)
    closes: str = clock_field("local time HH:MM", nullable=False)
    registered: int = number_field(0, MANY, "registered voters [count]")
    expected_voters: float = number_field(0, MANY, "voters expected in person today [count]", nullable=False)
    checkin_stations: int = number_field(0, 1000, "check-in stations [count]", nullable=False)
    booths: int = number_field(0, 1000, "marking booths [count]", nullable=False)
    circuit: str = text_field("utility circuit")
    entrance: str = text_field("note on the accessible entrance")
    phone: str = text_field("telephone", personal=True)


class Units(pa.DataFrameModel):
    """One row a unit of equipment. Key: unit_id. No site: at the depot.

    Further columns that say what the county calls its units (a sticker, a colour, a desk, a tag) help to tell which
    unit a caller means; what they are called does not matter.
    """

    unit_id: str = text_field("the unit's id", nullable=False)
    site_id: str = text_field("a site_id of the roster, or empty at the depot")
    type: str = word_field(words.DEVICE_TYPES, "what it is: an SP 1500-101 DeviceType", nullable=False)
    serial: str = text_field("serial number")
    role: str = word_field(words.ROLES, "in use at a site, or in reserve")
    in_service: int = number_field(1900, 2200, "year put into service")
    battery_minutes: float = number_field(0, 100_000, "rated run time on battery [min]")
    recharge_minutes: float = number_field(0, 100_000, "empty to full [min]")
    battery_age_years: float = number_field(0, 100, "age of the battery [years]")
    charge_at_open: float = number_field(0, 1, "state of charge at opening")
    bin_capacity: int = number_field(0, 1_000_000, "ballots that the main compartment holds [count]")
    accessible_expected: str = word_field(("yes", "no"), "whether accessible equipment should be connected")


class Rovers(pa.DataFrameModel):
    """One row a rover (field technician). Key: rover_id."""

    rover_id: str = text_field("the rover's id", nullable=False)
    latitude: float = number_field(-90, 90, "degrees north of the start", nullable=False)
    longitude: float = number_field(-180, 180, "degrees east of the start", nullable=False)
    skills: str = text_field(
        f"of {', '.join(words.ROVER_SKILLS)}; `;` between", form="words", choices=words.ROVER_SKILLS
    )
    parts: str = text_field("name:count, `;` between", form="counts")
    on_shift: str = clock_field("local time HH:MM", nullable=False)
    off_shift: str = clock_field("local time HH:MM; before on_shift: the next day", nullable=False)
    breaks: str = text_field("HH:MM-HH:MM, `;` between", form="spans")


class Tickets(pa.DataFrameModel):
    """One row a state of a hotline ticket. Key: ticket_id."""

    ticket_id: str = text_field("the ticket's id", nullable=False)
    opened_at: Time = time_field("a time", nullable=False)
    site: str = text_field("the place as the caller said it", nullable=False, masked=True)
    unit: str = text_field("the unit as the caller said it", masked=True)
    caller: str = text_field("who called", personal=True)
    text: str = text_field("what the caller said", nullable=False, masked=True)
    urgency: str = text_field("urgency as the hotline put it")
    status: str = word_field(words.TICKET_STATUSES, "how far the hotline has got", nullable=False)
    assigned_at: Time = time_field("a time")
    rover_id: str = text_field("the rover it was given to; empty while assigned: handled by phone")
    arrived_at: Time = time_field("a time")
    resolved_at: Time = time_field("a time")
    resolution: str = text_field("what ended it", masked=True)


class Status(pa.DataFrameModel):
    """One row a unit's own report. Key: unit_id, at, sequence. Counters are running totals."""

    unit_id: str = text_field("a unit_id of the roster", nullable=False, roster="units")
    at: Time = time_field("a time, by the unit's clock", nullable=False)
    sequence: int = number_field(0, 10_000_000_000, "report number", nullable=False)
    ballots_counted: int = number_field(0, 1_000_000, "ballots read so far [count]")
    checkins: int = number_field(0, 1_000_000, "voters checked in so far [count]")
    power: str = word_field(words.POWER_SOURCES, "what it runs on")
    battery_percent: float = number_field(0, 100, "state of charge [%]")
    misfeeds: int = number_field(0, 1_000_000, "misfeeds so far [count]")
    jams: int = number_field(0, 1_000_000, "jams so far [count]")
    state: str = word_field(words.UNIT_STATES, "what it is doing")
    paper: str = word_field(words.PAPER_STATES, "paper of the report printer")
    cards: str = word_field(words.CARD_STATES, "memory cards that work, of two")
    modem: str = word_field(words.MODEM_STATES, "link for results, where there is one")
    accessible: str = word_field(words.ACCESSIBLE_STATES, "accessible equipment")


class PowerNotes(pa.DataFrameModel):
    """One row a line of free text about power. Key: date of receipt, text."""

    text: str = text_field("the note, as it was written", nullable=False, masked=True)


class Outages(pa.DataFrameModel):
    """One row a state of a utility outage. Key: outage_id."""

    outage_id: str = text_field("the outage's id", nullable=False)
    circuit: str = text_field("utility circuit", nullable=False)
    started_at: Time = time_field("a time", nullable=False)
    estimated_restoration_at: Time = time_field("a time")
    restored_at: Time = time_field("a time")
    customers: int = number_field(0, MANY, "customers out [count]")


class LineCounts(pa.DataFrameModel):
    """One row a head count. Key: site_id, at."""

    site_id: str = text_field("a site_id of the roster", nullable=False, roster="sites")
    at: Time = time_field("a time", nullable=False)
    checkin_line: float = number_field(0, 100_000, "people waiting for check-in [count]")
    scanner_line: float = number_field(0, 100_000, "people waiting for a scanner [count]")
    counted_by: str = text_field("who counted", personal=True)


class Milestones(pa.DataFrameModel):
    """One row an opening, closing or custody step. Key: site_id, milestone, item."""

    site_id: str = text_field("a site_id of the roster", nullable=False, roster="sites")
    milestone: str = word_field(words.MILESTONES, "which step", nullable=False)
    at: Time = time_field("a time", nullable=False)
    reported_by: str = text_field("who reported", personal=True)
    item: str = text_field("the unit, medium or container")
    from_: str = pa.Field(
        alias="from", nullable=True, description="who handed over, or the place left", metadata={"personal": True}
    )
    to: str = text_field("who took over, or the place reached", personal=True)
    witness: str = text_field("the second person", personal=True)
    seal_in: str = text_field("seal number found")
    seal_out: str = text_field("seal number put on")


class Reconciliation(pa.DataFrameModel):
    """One row a site's end-of-day counts. Key: site_id."""

    site_id: str = text_field("a site_id of the roster", nullable=False, roster="sites")
    checked_in: int = number_field(0, MANY, "voters checked in [count]")
    ballots_received: int = number_field(0, MANY, "blank ballots received [count]")
    ballots_issued: int = number_field(0, MANY, "ballots issued [count]")
    spoiled: int = number_field(0, MANY, "ballots spoiled [count]")
    unused: int = number_field(0, MANY, "blank ballots left [count]")
    provisional: int = number_field(0, MANY, "provisional ballots [count]")
    left: int = number_field(0, MANY, "voters who left without casting [count]")
    ballots_counted: int = number_field(0, MANY, "ballots read by the scanners [count]")
    emergency_counted: int = number_field(0, MANY, "ballots of the emergency compartment [count]")
    tape_total: int = number_field(0, MANY, "ballots on the results report [count]")
    backup_count: int = number_field(0, MANY, "ballots on the backup medium [count]")


class BallotStock(pa.DataFrameModel):
    """One row blank ballots on hand of one style. Key: site_id, style, at."""

    site_id: str = text_field("a site_id of the roster", nullable=False, roster="sites")
    style: str = text_field("ballot style", nullable=False)
    at: Time = time_field("a time", nullable=False)
    on_hand: int = number_field(0, MANY, "blank ballots on hand [count]", nullable=False)


class Travel(pa.DataFrameModel):
    """One row a drive between two polling places. Key: from, to. The way back takes as long, unless it is told too."""

    from_: str = pa.Field(
        alias="from",
        nullable=False,
        description="a site_id of the roster",
        metadata={"roster": "sites"},
    )
    to: str = text_field("a site_id of the roster", nullable=False, roster="sites")
    minutes: float = number_field(0, 1440, "drive, door to door [min]", nullable=False)


class Entries(pa.DataFrameModel):
    """One row what a person entered on the board or a rover's page. Key: entry_id."""

    entry_id: str = text_field("the entry's id", nullable=False)
    at: Time = time_field("a time", nullable=False)
    by: str = text_field("who entered it", nullable=False, personal=True)
    action: str = text_field("what was entered", nullable=False)
    target: str = text_field("what it is about")
    values: str = text_field("details, as JSON", masked=True)
    withdraws: str = text_field("an entry_id that this one takes back")


class Counties(pa.DataFrameModel):
    """One row the county's own facts (`county.toml`). Key: the word `county`."""

    name: str = text_field("the county's name", nullable=False)
    zone: str = text_field("an IANA time zone", nullable=False)
    election_day: str = text_field("a date, YYYY-MM-DD", nullable=False)
    depot_latitude: float = number_field(-90, 90, "degrees north")
    depot_longitude: float = number_field(-180, 180, "degrees east")
    assumptions: str = text_field("overrides of settings, as JSON", nullable=False)
    milestones: str = text_field("overrides of milestones, as JSON", nullable=False)


FEEDS: dict[str, type[pa.DataFrameModel]] = {
    "county": Counties,
    "sites": Sites,
    "units": Units,
    "rovers": Rovers,
    "tickets": Tickets,
    "status": Status,
    "power-notes": PowerNotes,
    "outages": Outages,
    "line-counts": LineCounts,
    "milestones": Milestones,
    "reconciliation": Reconciliation,
    "ballot-stock": BallotStock,
    "travel": Travel,
    "entries": Entries,
}
KEYS: dict[str, tuple[str, ...]] = {
    "county": (),
    "sites": ("site_id",),
    "units": ("unit_id",),
    "rovers": ("rover_id",),
    "tickets": ("ticket_id",),
    "status": ("unit_id", "at", "sequence"),
    "power-notes": ("text",),
    "outages": ("outage_id",),
    "line-counts": ("site_id", "at"),
    "milestones": ("site_id", "milestone", "item"),
    "reconciliation": ("site_id",),
    "ballot-stock": ("site_id", "style", "at"),
    "travel": ("from", "to"),
    "entries": ("entry_id",),
}
OCCURRED = {  # the column that says when a row occurred; the rest occurred when they were received
    "tickets": "opened_at",
    "status": "at",
    "outages": "started_at",
    "line-counts": "at",
    "milestones": "at",
    "ballot-stock": "at",
    "entries": "at",
}


@cache
def schema_of(kind: str) -> pa.DataFrameSchema:
    """The schema of a kind of feed; building one costs milliseconds, so it is built once."""
    return FEEDS[kind].to_schema()


def closed_list(column: pa.Column) -> tuple[str, ...]:
    """The words that a column keeps to, empty where it has no such list."""
    found = [check.statistics["allowed_values"] for check in column.checks if check.name == "isin"]
    return tuple(str(word) for word in found[0]) if found else ()
