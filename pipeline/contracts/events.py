"""The normalised tables: what was known at one time, one frame a kind, and what was read out of free text.

Each table is the feed's model plus the columns of `Logged`. Personal fields hold tokens (`p-…`), free text is masked.
"""

import pandera.polars as pa
import polars as pl

from pipeline.contracts import feeds, words
from pipeline.contracts.feeds import Time


class Logged(pa.DataFrameModel):
    """What the log adds to every row."""

    received_at: Time = pa.Field(nullable=False, description="earliest receipt of this content")
    content_hash: str = pa.Field(nullable=False, description="16 bytes of the SHA-256 of the row as logged, hex")
    attributes: str = pa.Field(nullable=True, description="columns nobody mapped, as a JSON object")


class SiteRows(feeds.Sites, Logged):
    """One row a site, as the roster stood. Key: site_id."""

    opens_at: Time = pa.Field(nullable=False, description="opening on election day")
    closes_at: Time = pa.Field(nullable=False, description="scheduled closing; after midnight if it precedes opening")


class UnitRows(feeds.Units, Logged):
    """One row a unit, as the roster stood, defaults filled in. Key: unit_id."""


class RoverRows(feeds.Rovers, Logged):
    """One row a rover, as the roster stood. Key: rover_id."""

    on_shift_at: Time = pa.Field(nullable=False, description="start of the shift")
    off_shift_at: Time = pa.Field(nullable=False, description="end of the shift")


class TicketRows(feeds.Tickets, Logged):
    """One row a ticket, in its latest known state. Key: ticket_id."""


class StatusRows(feeds.Status, Logged):
    """One row a status report. Key: unit_id, at, sequence."""

    occurred_at: Time = pa.Field(nullable=False, description="`at`, corrected for the unit's clock")
    clock_offset_minutes: float = pa.Field(nullable=False, description="unit's clock minus true time [min]")


class PowerNoteRows(feeds.PowerNotes, Logged):
    """One row a note. Key: date of receipt, text."""


class OutageRows(feeds.Outages, Logged):
    """One row an outage, in its latest known state. Key: outage_id."""


class LineCountRows(feeds.LineCounts, Logged):
    """One row a head count. Key: site_id, at."""


class MilestoneRows(feeds.Milestones, Logged):
    """One row a step reported. Key: site_id, milestone, item.

    `open`, `suspended`, `resumed` and `relocated` may come again: such a step is another row where, by the times of a
    site's steps, another of the four lies between the two; else it corrects the earlier one.
    """


class ReconciliationRows(feeds.Reconciliation, Logged):
    """One row a site's counts. Key: site_id."""


class BallotStockRows(feeds.BallotStock, Logged):
    """One row a stock report. Key: site_id, style, at."""


class TravelRows(feeds.Travel, Logged):
    """One row a drive between two polling places. Key: from, to."""


class EntryRows(feeds.Entries, Logged):
    """One row an entry. Key: entry_id."""


class CountyRows(feeds.Counties, Logged):
    """One row the county's facts. Key: the county."""


TABLES: dict[str, type[Logged]] = {
    "county": CountyRows,
    "sites": SiteRows,
    "units": UnitRows,
    "rovers": RoverRows,
    "tickets": TicketRows,
    "status": StatusRows,
    "power-notes": PowerNoteRows,
    "outages": OutageRows,
    "line-counts": LineCountRows,
    "milestones": MilestoneRows,
    "reconciliation": ReconciliationRows,
    "ballot-stock": BallotStockRows,
    "travel": TravelRows,
    "entries": EntryRows,
}


class TicketReadings(pa.DataFrameModel):
    """One row a ticket: what was read out of its words. Key: ticket_id."""

    ticket_id: str = pa.Field(nullable=False, description="the ticket")
    site_id: str = pa.Field(nullable=True, description="null: nobody's site; a person is asked")
    site_confidence: float = pa.Field(ge=0, le=1, description="probability that site_id is right")
    unit_id: str = pa.Field(nullable=True, description="the unit, where told")
    category: str = pa.Field(isin=list(words.TICKET_CATEGORIES), description="the primary one")
    categories: pl.List(pl.String) = pa.Field(description="every category found, the primary one first")  # type: ignore[valid-type]
    category_confidence: float = pa.Field(ge=0, le=1, description="probability that category is right")
    severity: int = pa.Field(ge=1, le=4, description="1 worst: see docs/METHODS.md")
    same_as: str = pa.Field(nullable=True, description="the earlier ticket that this one repeats")
    same_as_confidence: float = pa.Field(nullable=True, ge=0, le=1, description="probability that it repeats that one")
    waiting_said: float = pa.Field(nullable=True, ge=0, description="people in line, as the caller put it [count]")
    line_said: str = pa.Field(nullable=True, isin=list(words.LINES), description="which line, if the caller said so")
    is_no_line: bool = pa.Field(description="the caller said that there is no line")
    decided_by: str = pa.Field(description="the words that decided the category")


class PowerReadings(pa.DataFrameModel):
    """One row a power note or a power ticket: what was read out of it."""

    occurred_at: Time = pa.Field(nullable=False, description="when it happened, by the note")
    received_at: Time = pa.Field(nullable=False, description="when the note was received")
    site_id: str = pa.Field(nullable=True, description="the site it speaks of")
    circuit: str = pa.Field(nullable=True, description="the utility circuit it speaks of")
    event: str = pa.Field(isin=list(words.POWER_EVENTS), description="what happened")
    restoration_at: Time = pa.Field(nullable=True, description="restoration that was promised")
    battery_percent: float = pa.Field(nullable=True, ge=0, le=100, description="state of charge, if told [%]")
    text: str = pa.Field(description="the note, masked")


class SupplyStates(pa.DataFrameModel):
    """One row a rostered unit: what it runs on at T. Key: unit_id."""

    unit_id: str = pa.Field(nullable=False, description="the unit")
    site_id: str = pa.Field(nullable=True, description="where it is; null at the depot")
    supply: str = pa.Field(isin=list(words.SUPPLIES), description="what it runs on")
    since: Time = pa.Field(nullable=True, description="start of the present state, where known")
    outage_since: Time = pa.Field(nullable=True, description="start of the present outage; null on mains")
    dark_since: Time = pa.Field(nullable=True, description="when the unit is believed to have gone dark")
    charge_mean: float = pa.Field(nullable=True, ge=0, le=1, description="state of charge, 0 to 1")
    restoration_at: Time = pa.Field(nullable=True, description="the utility's or a note's promise")
    promised_at: Time = pa.Field(nullable=True, description="when that promise was made")
    is_revised: bool = pa.Field(nullable=True, description="the utility had promised another time before")
    chance_off: float = pa.Field(nullable=True, ge=0, le=1, description="chance that mains is off at T")
    marks: str = pa.Field(nullable=True, description="what is odd about the reports; null: nothing")
    basis: str = pa.Field(description="what the state stands on, and how old that is")


class SiteLoads(pa.DataFrameModel):
    """One row a site: its lines and what is still to come, for whoever weighs a trouble. Key: site_id."""

    site_id: str = pa.Field(nullable=False, description="the site")
    is_open: bool = pa.Field(description="voting at T, or people still in line")
    checkin_waiting: float = pa.Field(ge=0, description="people waiting for check-in at T, mean")
    scanner_waiting: float = pa.Field(ge=0, description="people waiting for a scanner at T, mean")
    arrivals_per_minute: float = pa.Field(ge=0, description="mean over the next hour [1/min]")
    remaining_voters_low: float = pa.Field(ge=0, description="arrivals from T to closing, 5 %")
    remaining_voters_mean: float = pa.Field(ge=0, description="mean")
    remaining_voters_high: float = pa.Field(ge=0, description="95 %")
    minutes_to_close: float = pa.Field(ge=0, description="T to the scheduled closing [min]")


class Faults(pa.DataFrameModel):
    """One row a fault of a unit, counted once however many tell of it."""

    unit_id: str = pa.Field(nullable=False, description="the unit")
    site_id: str = pa.Field(nullable=True, description="where it was")
    at: Time = pa.Field(nullable=False, description="when it began, as first told")
    kind: str = pa.Field(description="misfeed, jam, fault or the ticket's category")
    fault_class: str = pa.Field(isin=list(words.FAULT_CLASSES), description="the class that it is counted in")
    probability: float = pa.Field(
        ge=0, le=1, description="that it was a fault of this unit; below 1 where the evidence is thin"
    )
    ballots: float = pa.Field(
        nullable=True, ge=0, description="ballots that the unit had read by then; null: no counter"
    )
    hours: float = pa.Field(ge=0, description="hours that the unit had been at work by then [h]")
    source: str = pa.Field(description="status, ticket, or both")
    ticket_ids: pl.List(pl.String) = pa.Field(description="tickets that tell of it")  # type: ignore[valid-type]


READINGS: dict[str, type[pa.DataFrameModel]] = {
    "ticket readings": TicketReadings,
    "power readings": PowerReadings,
    "supply states": SupplyStates,
    "site loads": SiteLoads,
    "faults": Faults,
}
