"""The shape of every estimate: one model each, columns in the order in which they are shown.

`_low` and `_high` are the 5 % and the 95 % point. A null is an unknown, never a nought.
"""

import pandera.polars as pa
import polars as pl

from pipeline.contracts import words
from pipeline.contracts.feeds import Time


class Lines(pa.DataFrameModel):
    """One row a site and line that is open, about to open or not yet empty. Key: site_id, line.

    `waiting` leaves out people being served; `wait_minutes` is what a voter who joins now waits until service begins.
    """

    site_id: str
    line: str = pa.Field(isin=list(words.LINES))
    at: Time
    waiting_mean: float = pa.Field(ge=0)
    waiting_median: float = pa.Field(ge=0)
    waiting_low: float = pa.Field(ge=0)
    waiting_high: float = pa.Field(ge=0)
    wait_minutes_mean: float = pa.Field(ge=0)
    wait_minutes_median: float = pa.Field(ge=0)
    wait_minutes_low: float = pa.Field(ge=0)
    wait_minutes_high: float = pa.Field(ge=0)
    chance_over_30: float = pa.Field(ge=0, le=1)
    basis: str


class Outlook(Lines):
    """As `Lines`, `ahead_minutes` after T. Key: site_id, line, ahead_minutes. `at` is the time looked ahead to.

    The rows of the last horizon also say when the last voter leaves.
    """

    ahead_minutes: float = pa.Field(ge=0)
    last_voter_at_low: Time = pa.Field(nullable=True)
    last_voter_at_mean: Time = pa.Field(nullable=True)
    last_voter_at_high: Time = pa.Field(nullable=True)


class Power(pa.DataFrameModel):
    """One row a rostered unit. Key: unit_id."""

    unit_id: str
    site_id: str = pa.Field(nullable=True)
    supply: str = pa.Field(isin=list(words.SUPPLIES))
    since: Time = pa.Field(nullable=True)
    charge_mean: float = pa.Field(nullable=True, ge=0, le=1)
    empty_at_low: Time = pa.Field(nullable=True)
    empty_at_mean: Time = pa.Field(nullable=True)
    empty_at_high: Time = pa.Field(nullable=True)
    chance_dark: float = pa.Field(ge=0, le=1)
    expected_dark_minutes: float = pa.Field(ge=0)
    expected_voter_minutes: float = pa.Field(ge=0)
    restoration_at: Time = pa.Field(nullable=True)
    basis: str


class Repeats(pa.DataFrameModel):
    """One row a rostered unit. Key: unit_id. Rank 1 is worst."""

    unit_id: str
    site_id: str = pa.Field(nullable=True)
    rank: int = pa.Field(ge=1, unique=True)
    faults: int = pa.Field(ge=0)
    exposure_ballots: float = pa.Field(nullable=True, ge=0)
    exposure_hours: float = pa.Field(ge=0)
    expected_faults: float = pa.Field(ge=0)
    rate_ratio_mean: float = pa.Field(ge=0)
    rate_ratio_low: float = pa.Field(ge=0)
    rate_ratio_high: float = pa.Field(ge=0)
    chance_over_3: float = pa.Field(ge=0, le=1)
    q_value: float = pa.Field(ge=0, le=1)
    standing: str = pa.Field(isin=list(words.REPEAT_STANDINGS))


class Tickets(pa.DataFrameModel):
    """One row a ticket known by T. Key: ticket_id."""

    ticket_id: str
    site_id: str = pa.Field(nullable=True)
    site_confidence: float = pa.Field(ge=0, le=1)
    unit_id: str = pa.Field(nullable=True)
    category: str = pa.Field(isin=list(words.TICKET_CATEGORIES))
    categories: pl.List(pl.String)  # type: ignore[valid-type]
    category_confidence: float = pa.Field(ge=0, le=1)
    severity: int = pa.Field(ge=1, le=4)
    opened_at: Time
    status: str = pa.Field(isin=list(words.TICKET_STATUSES))
    same_as: str = pa.Field(nullable=True)
    voter_minutes_at_risk: float = pa.Field(ge=0, description="in the next hour, if nobody comes [voter-minutes]")
    decided_by: str


class Dispatch(pa.DataFrameModel):
    """One row a stop of a rover's proposed order. Key: rover_id, stop."""

    rover_id: str
    stop: int = pa.Field(ge=1)
    site_id: str
    unit_id: str = pa.Field(nullable=True)
    ticket_ids: pl.List(pl.String)  # type: ignore[valid-type]
    leave_at: Time
    arrive_at: Time
    parts: pl.List(pl.String)  # type: ignore[valid-type]
    voter_minutes_saved: float = pa.Field(ge=0)
    why: str
    caution: str = pa.Field(nullable=True)


class Milestones(pa.DataFrameModel):
    """One row a site and step that applies. Key: site_id, milestone."""

    site_id: str
    milestone: str = pa.Field(isin=list(words.MILESTONES))
    due_at: Time = pa.Field(nullable=True)
    at: Time = pa.Field(nullable=True)
    standing: str = pa.Field(isin=list(words.MILESTONE_STANDINGS))
    note: str = pa.Field(nullable=True, description="what is out of order: a gap in custody, a seal that differs")


class Supplies(pa.DataFrameModel):
    """One row a unit and consumable (ballots: a site and style, unit_id null). Key: unit_id, item, site_id, style."""

    unit_id: str = pa.Field(nullable=True)
    site_id: str = pa.Field(nullable=True)
    item: str = pa.Field(isin=list(words.SUPPLY_ITEMS))
    style: str = pa.Field(nullable=True)
    used: float = pa.Field(nullable=True, ge=0)
    capacity: float = pa.Field(nullable=True, ge=0)
    state: str = pa.Field(nullable=True, description="ok, low, out, as reported")
    full_at_low: Time = pa.Field(nullable=True)
    full_at_mean: Time = pa.Field(nullable=True)
    full_at_high: Time = pa.Field(nullable=True)
    chance_full: float = pa.Field(ge=0, le=1)
    basis: str


class Reconciliation(pa.DataFrameModel):
    """One row a site that has reported counts. Key: site_id."""

    site_id: str
    checked_in: int = pa.Field(nullable=True)
    accounted_for: int = pa.Field(nullable=True)
    difference: int = pa.Field(nullable=True)
    standing: str = pa.Field(isin=list(words.RECONCILIATION_STANDINGS))
    likely_cause: str = pa.Field(nullable=True, isin=list(words.RECONCILIATION_CAUSES))
    explanation: str


ESTIMATES: dict[str, type[pa.DataFrameModel]] = {
    "lines": Lines,
    "outlook": Outlook,
    "power": Power,
    "repeats": Repeats,
    "tickets": Tickets,
    "dispatch": Dispatch,
    "milestones": Milestones,
    "supplies": Supplies,
    "reconciliation": Reconciliation,
}
