"""The shape of what losing mains may cost, by site and by circuit, and of what can be done about it.

Bounds and nulls as in `estimates`.
"""

import pandera.polars as pa
import polars as pl

from pipeline.contracts import words
from pipeline.contracts.feeds import Time


class Exposure(pa.DataFrameModel):
    """One row a site with units: what its power may cost. Key: site_id.

    A sort of unit (check-in, scanners, accessible) stops when the last unit of it at the site is dark.
    """

    site_id: str = pa.Field(description="the site")
    circuit: str = pa.Field(nullable=True, description="its utility circuit")
    units: int = pa.Field(ge=0, description="units that stand there [count]")
    units_off: int = pa.Field(ge=0, description="of these, off mains or dark [count]")
    units_dark: int = pa.Field(ge=0, description="of these, dark [count]")
    scanners_off: int = pa.Field(ge=0, description="scanners off mains or dark [count]")
    poll_books_off: int = pa.Field(ge=0, description="poll books off mains or dark [count]")
    accessible_off: int = pa.Field(ge=0, description="marking devices and other accessible units off mains or dark")
    chance_off: float = pa.Field(
        nullable=True, ge=0, le=1, description="chance that mains is off there, the surest word; null: nothing known"
    )
    empty_at_first: Time = pa.Field(nullable=True, description="when the first of its units is expected to be empty")
    chance_no_checkin: float = pa.Field(ge=0, le=1, description="chance that all its poll books go dark; 1 if they are")
    chance_no_scanner: float = pa.Field(ge=0, le=1, description="likewise of all its scanners")
    chance_no_accessible: float = pa.Field(ge=0, le=1, description="likewise of all its accessible units")
    expected_dark_minutes: float = pa.Field(ge=0, description="of its units together, to the closing [unit-minutes]")
    expected_voter_minutes: float = pa.Field(ge=0, description="what that costs [voter-minutes], mean")
    voter_minutes_low: float = pa.Field(
        ge=0, description="5 %, over the outage's length and the voters still to come (the line estimate's doubt)"
    )
    voter_minutes_high: float = pa.Field(ge=0, description="95 %, likewise")
    restoration_at: Time = pa.Field(nullable=True, description="the utility's or a note's promise")
    back_at_low: Time = pa.Field(nullable=True, description="when power returns, 5 %; null on mains")
    back_at_median: Time = pa.Field(nullable=True, description="50 %")
    back_at_high: Time = pa.Field(nullable=True, description="95 %; at most two days ahead")
    marks: str = pa.Field(nullable=True, description="what is odd about the reports; null: nothing")
    basis: str = pa.Field(description="what the row stands on")


class Circuits(pa.DataFrameModel):
    """One row a circuit of the roster or of the utility's list. Key: circuit."""

    circuit: str = pa.Field(description="utility circuit")
    outage_id: str = pa.Field(nullable=True, description="the outage that runs there, by the utility's list")
    started_at: Time = pa.Field(nullable=True, description="when it began, by that list")
    sites: int = pa.Field(ge=0, description="sites on the circuit [count]")
    units: int = pa.Field(ge=0, description="units at these [count]")
    units_off: int = pa.Field(ge=0, description="of these, off mains or dark [count]")
    units_dark: int = pa.Field(ge=0, description="of these, dark [count]")
    chance_off: float = pa.Field(nullable=True, ge=0, le=1, description="the surest of its sites; null: nothing known")
    expected_dark_minutes: float = pa.Field(ge=0, description="of its units together [unit-minutes]")
    expected_voter_minutes: float = pa.Field(ge=0, description="what that costs [voter-minutes], mean")
    voter_minutes_low: float = pa.Field(ge=0, description="5 %: its sites' added up, as they share one outage")
    voter_minutes_high: float = pa.Field(ge=0, description="95 %, likewise")
    restoration_at: Time = pa.Field(nullable=True, description="the newest promise")
    back_at_low: Time = pa.Field(nullable=True, description="when power returns, 5 %; null on mains")
    back_at_median: Time = pa.Field(nullable=True, description="50 %")
    back_at_high: Time = pa.Field(nullable=True, description="95 %; at most two days ahead")
    marks: str = pa.Field(nullable=True, description="what is odd about the utility's list; null: nothing")
    basis: str = pa.Field(description="what the length of the outage stands on")


class Remedies(pa.DataFrameModel):
    """One row a site off mains and thing to do, the best first. Key: site_id, option. The election official decides."""

    site_id: str = pa.Field(description="the site")
    option: str = pa.Field(isin=list(words.REMEDIES), description="what to do")
    unit_ids: pl.List(pl.String) = pa.Field(description="units that it keeps going")  # type: ignore[valid-type]
    spare_ids: pl.List(pl.String) = pa.Field(description="spares that could replace them, for that option")  # type: ignore[valid-type]
    parts: pl.List(pl.String) = pa.Field(description="what a rover has to bring")  # type: ignore[valid-type]
    work_minutes: float = pa.Field(ge=0, description="from arriving until it works [min]")
    voter_minutes_saved: float = pa.Field(ge=0, description="if somebody began there now [voter-minutes], mean")
    voter_minutes_saved_low: float = pa.Field(ge=0, description="5 %")
    voter_minutes_saved_high: float = pa.Field(ge=0, description="95 %")
    saved_in_30: float = pa.Field(ge=0, description="if they began in 30 minutes, mean")
    saved_in_60: float = pa.Field(ge=0, description="in 60 minutes")
    saved_in_120: float = pa.Field(ge=0, description="in 120 minutes")
    best_by: Time = pa.Field(
        nullable=True, description="begun by then it saves nine tenths of that; null: nothing to save"
    )
    latest_at: Time = pa.Field(
        nullable=True, description="begun later it saves less than a tenth of that; null: likewise"
    )
    why: str = pa.Field(description="the reason, in words")
    caution: str = pa.Field(description="what can hurt someone, and who decides; local rules come first")
