"""The shape of every estimate: one model each, columns in the order in which they are shown.

`_low` and `_high` are the 5 % and the 95 % point. A null is an unknown, never a nought.
"""

import pandera.polars as pa
import polars as pl

from pipeline.contracts import words
from pipeline.contracts.consequences import Circuits, Exposure, Remedies
from pipeline.contracts.feeds import Time


class Lines(pa.DataFrameModel):
    """One row a site and line that is open, about to open or not yet empty. Key: site_id, line.

    `waiting` leaves out people being served; `wait_minutes` is what a voter who joins now waits until service begins.
    """

    site_id: str = pa.Field(description="the site")
    line: str = pa.Field(isin=list(words.LINES), description="which line")
    at: Time = pa.Field(description="the time the row speaks of")
    waiting_mean: float = pa.Field(ge=0, description="people waiting, not yet being served [count], mean")
    waiting_median: float = pa.Field(ge=0, description="50 %")
    waiting_low: float = pa.Field(ge=0, description="5 %")
    waiting_high: float = pa.Field(ge=0, description="95 %")
    wait_minutes_mean: float = pa.Field(
        ge=0, description="wait of a voter who joins now, until service begins [min], mean"
    )
    wait_minutes_median: float = pa.Field(ge=0, description="50 %")
    wait_minutes_low: float = pa.Field(ge=0, description="5 %")
    wait_minutes_high: float = pa.Field(ge=0, description="95 %")
    chance_over_30: float = pa.Field(
        ge=0, le=1, description="chance that such a voter waits over 30 minutes in that line"
    )
    basis: str = pa.Field(description="what the row stands on, and how old that is")


class Outlook(Lines):
    """As `Lines`, `ahead_minutes` after T. Key: site_id, line, ahead_minutes. `at` is the time looked ahead to.

    The rows of a site's last horizon also say when its last voter leaves.
    """

    ahead_minutes: float = pa.Field(
        ge=0,
        description="looked ahead from T: 30, 60, 120 or as asked; `close`: to its closing [min]",
    )
    last_voter_at_low: Time = pa.Field(nullable=True, description="when the last voter leaves the site, 5 %")
    last_voter_at_mean: Time = pa.Field(nullable=True, description="mean")
    last_voter_at_high: Time = pa.Field(nullable=True, description="95 %")


class Power(pa.DataFrameModel):
    """One row a rostered unit. Key: unit_id."""

    unit_id: str = pa.Field(description="the unit")
    site_id: str = pa.Field(nullable=True, description="where it is; null at the depot")
    supply: str = pa.Field(isin=list(words.SUPPLIES), description="what it runs on")
    since: Time = pa.Field(nullable=True, description="start of that state, where known")
    charge_mean: float = pa.Field(
        nullable=True, ge=0, le=1, description="state of charge, 0 to 1; null where nothing is known of it"
    )
    empty_at_low: Time = pa.Field(
        nullable=True, description="when the charge would end if mains stayed off, 5 %; null on mains or dark"
    )
    empty_at_mean: Time = pa.Field(nullable=True, description="mean")
    empty_at_high: Time = pa.Field(nullable=True, description="95 %")
    chance_dark: float = pa.Field(
        ge=0,
        le=1,
        description="chance to go dark in the present outage, before power returns or the scheduled closing; 1 if dark",
    )
    expected_dark_minutes: float = pa.Field(
        ge=0, description="dark time from T to the scheduled closing [min]; 0 on mains"
    )
    expected_voter_minutes: float = pa.Field(ge=0, description="voter-minutes that this costs [voter-minutes]")
    restoration_at: Time = pa.Field(nullable=True, description="the utility's or a note's promise")
    basis: str = pa.Field(description="what the state stands on, and how old that is")


class Repeats(pa.DataFrameModel):
    """One row a rostered unit. Key: unit_id. Rank 1 is worst."""

    unit_id: str = pa.Field(description="the unit")
    site_id: str = pa.Field(nullable=True, description="where it is; null at the depot")
    rank: int = pa.Field(ge=1, unique=True, description="1 is worst, unique")
    faults: int = pa.Field(ge=0, description="faults so far, each counted once [count]")
    exposure_ballots: float = pa.Field(
        nullable=True, ge=0, description="ballots read so far [count]; null without a counter: hours carry the rate"
    )
    exposure_hours: float = pa.Field(ge=0, description="hours at work so far [h]")
    expected_faults: float = pa.Field(ge=0, description="faults at the rate of the fleet's like units [count]")
    rate_ratio_mean: float = pa.Field(ge=0, description="the unit's rate over the fleet's, mean of the posterior")
    rate_ratio_low: float = pa.Field(ge=0, description="5 %")
    rate_ratio_high: float = pa.Field(ge=0, description="95 %")
    chance_over_3: float = pa.Field(ge=0, le=1, description="chance that its rate is over three times the fleet's")
    q_value: float = pa.Field(ge=0, le=1, description="Benjamini-Hochberg q of the Poisson tail")
    standing: str = pa.Field(isin=list(words.REPEAT_STANDINGS), description="what that amounts to")


class Kinds(pa.DataFrameModel):
    """One row a unit and class of fault that it has had, today or at an earlier election. Key: unit_id, fault_class."""

    unit_id: str = pa.Field(description="the unit")
    site_id: str = pa.Field(nullable=True, description="where it is; null at the depot")
    fault_class: str = pa.Field(isin=list(words.FAULT_CLASSES), description="class of fault")
    faults: int = pa.Field(ge=0, description="faults so far that are probable, each counted once [count]")
    faults_weighed: float = pa.Field(ge=0, description="faults so far, each by its probability [count]")
    exposure: float = pa.Field(ge=0, description="ballots read (misfeeds and jams, with a counter), else hours at work")
    expected_faults: float = pa.Field(ge=0, description="faults at the rate of the fleet's like units [count]")
    rate_ratio_mean: float = pa.Field(ge=0, description="the unit's rate over the fleet's, mean of the posterior")
    rate_ratio_low: float = pa.Field(ge=0, description="5 %")
    rate_ratio_high: float = pa.Field(ge=0, description="95 %")
    chance_over_3: float = pa.Field(ge=0, le=1, description="chance that its rate is over three times the fleet's")
    q_value: float = pa.Field(ge=0, le=1, description="Benjamini-Hochberg q over all units and classes looked at")
    standing: str = pa.Field(isin=list(words.REPEAT_STANDINGS), description="what that amounts to, in this class alone")


class Fixes(pa.DataFrameModel):
    """One row a kind of fix, and one for `all`. Key: fix. It holds until the unit has the same class of fault again."""

    fix: str = pa.Field(description="kind of fix, by the words of the resolution; `all` over all kinds")
    fixes: int = pa.Field(ge=0, description="fixes of units so far [count]")
    came_back: int = pa.Field(ge=0, description="of those, fixes after which the fault came back [count]")
    holds_hour_mean: float = pa.Field(ge=0, le=1, description="share that holds for an hour (Kaplan-Meier)")
    holds_hour_low: float = pa.Field(ge=0, le=1, description="5 %")
    holds_hour_high: float = pa.Field(ge=0, le=1, description="95 %")
    median_minutes: float = pa.Field(nullable=True, ge=0, description="half have come back by then [min]; null: fewer")
    watched_minutes: float = pa.Field(ge=0, description="time watched after all of them together [min]")
    unit_ids: pl.List(pl.String) = pa.Field(description="units on which it did not hold")  # type: ignore[valid-type]


class Fleet(pa.DataFrameModel):
    """One row a group of units and hours at work: Nelson's mean cumulative function. Key: group_by, group, hours."""

    group_by: str = pa.Field(isin=["all", "type", "model-year", "age", "site"], description="by what units are grouped")
    group: str = pa.Field(description="which group")
    hours: float = pa.Field(ge=0, description="hours at work [h]; the last row of a group is its latest")
    units: int = pa.Field(ge=0, description="units that have been at work for so long [count]")
    faults_per_unit_mean: float = pa.Field(ge=0, description="faults a unit by then, mean [count]")
    faults_per_unit_low: float = pa.Field(ge=0, description="5 %")
    faults_per_unit_high: float = pa.Field(ge=0, description="95 %")


class Swaps(pa.DataFrameModel):
    """One row a proposed swap, the best first. Key: unit_id. A proposal: the election official decides."""

    unit_id: str = pa.Field(description="the unit to replace")
    site_id: str = pa.Field(description="where it is")
    spare_id: str = pa.Field(description="the spare to replace it with")
    spare_site_id: str = pa.Field(nullable=True, description="where the spare waits; null at the depot")
    voter_minutes_saved: float = pa.Field(ge=0, description="until closing, mean [voter-minutes]; read it as a rank")
    voter_minutes_saved_low: float = pa.Field(ge=0, description="5 %, from the doubt about the unit's rate alone")
    voter_minutes_saved_high: float = pa.Field(ge=0, description="95 %, likewise")
    ready_at: Time = pa.Field(description="when the spare would take ballots, if somebody left now")
    why: str = pa.Field(description="the reason, in words")
    caution: str = pa.Field(description="what has to be right first; local rules come first")


class Tickets(pa.DataFrameModel):
    """One row a ticket known by T. Key: ticket_id."""

    ticket_id: str = pa.Field(description="the ticket")
    site_id: str = pa.Field(
        nullable=True, description="the site it is about; null: nobody recognises it, a person is asked"
    )
    site_confidence: float = pa.Field(ge=0, le=1, description="probability that site_id is right")
    unit_id: str = pa.Field(nullable=True, description="the unit it is about, where told")
    category: str = pa.Field(isin=list(words.TICKET_CATEGORIES), description="the primary one")
    categories: pl.List(pl.String) = pa.Field(description="every category found, the primary one first")  # type: ignore[valid-type]
    category_confidence: float = pa.Field(ge=0, le=1, description="probability that category is right")
    severity: int = pa.Field(ge=1, le=4, description="1 worst to 4")
    opened_at: Time = pa.Field(description="when it was opened")
    status: str = pa.Field(isin=list(words.TICKET_STATUSES), description="as the hotline last said")
    same_as: str = pa.Field(nullable=True, description="the earlier ticket that this one repeats")
    same_as_confidence: float = pa.Field(nullable=True, ge=0, le=1, description="probability that it repeats that one")
    voter_minutes_at_risk: float = pa.Field(ge=0, description="in the next hour, if nobody comes [voter-minutes]")
    decided_by: str = pa.Field(description="the words that decided the category")


class Dispatch(pa.DataFrameModel):
    """One row a stop of a rover's proposed order. Key: rover_id, stop."""

    rover_id: str = pa.Field(description="the rover")
    stop: int = pa.Field(ge=1, description="1 is next")
    site_id: str = pa.Field(description="where to")
    unit_id: str = pa.Field(nullable=True, description="which unit, where one is meant")
    ticket_ids: pl.List(pl.String) = pa.Field(description="tickets that the stop answers")  # type: ignore[valid-type]
    leave_at: Time = pa.Field(description="setting off")
    arrive_at: Time = pa.Field(description="arriving")
    parts: pl.List(pl.String) = pa.Field(description="parts to take along")  # type: ignore[valid-type]
    voter_minutes_saved: float = pa.Field(
        ge=0, description="cost if nobody comes less cost with this visit [voter-minutes]; read it as a rank"
    )
    why: str = pa.Field(description="the reason, in words")
    caution: str = pa.Field(nullable=True, description="what can hurt someone there; local rules come first")


class Standby(pa.DataFrameModel):
    """One row a rover without a stop that should wait elsewhere; the others wait where they are. Key: rover_id."""

    rover_id: str = pa.Field(description="the rover")
    site_id: str = pa.Field(description="near which site to wait")
    drive_minutes: float = pa.Field(gt=0, description="the drive there, mean [min]")


class Milestones(pa.DataFrameModel):
    """One row a site and step that applies. Key: site_id, milestone."""

    site_id: str = pa.Field(description="the site")
    milestone: str = pa.Field(isin=list(words.MILESTONES), description="the step")
    due_at: Time = pa.Field(nullable=True, description="when it is due; null: no time is set")
    at: Time = pa.Field(nullable=True, description="when it was done, as reported")
    standing: str = pa.Field(isin=list(words.MILESTONE_STANDINGS), description="how it stands at T")
    note: str = pa.Field(nullable=True, description="what is out of order: a gap in custody, a seal that differs")
    advice: str = pa.Field(nullable=True, description="what can be done while it is due and not reported")


class Custody(pa.DataFrameModel):
    """One row a sealed item, or a site's kind of item before any was named. Key: site_id, kind, item."""

    site_id: str = pa.Field(description="the site it comes from")
    kind: str = pa.Field(isin=["media", "ballots", "provisional"], description="removable media or ballots")
    item: str = pa.Field(nullable=True, description="the medium or container, as named; null: not named")
    stage: str = pa.Field(
        isin=["not sealed", "sealed", "handed-over", "received"], description="the last step that was reported"
    )
    holder: str = pa.Field(description="who holds it: a person's token, the site, or the receiving place")
    since: Time = pa.Field(nullable=True, description="since when, by that step; null: nothing reported")
    people: pl.List(pl.String) = pa.Field(description="people named for that step, as given")  # type: ignore[valid-type]
    seal: str = pa.Field(nullable=True, description="the seal last put on or found")
    next_step: str = pa.Field(nullable=True, description="the step to come; null: received")
    due_at: Time = pa.Field(nullable=True, description="when that is due")
    is_overdue: bool = pa.Field(description="past its time, or handed over long ago and not received")
    broken_at: Time = pa.Field(
        nullable=True, description="when the chain first broke, by the reports; null: it did not"
    )
    broken: str = pa.Field(nullable=True, description="what broke it: facts as reported")


class Finish(pa.DataFrameModel):
    """One row a site, and the county's first (site_id null): when the last media are received. Key: site_id."""

    site_id: str = pa.Field(nullable=True, description="the site; null: the county, when its last site is done")
    is_done: bool = pa.Field(description="the last step has been reported")
    done_at_low: Time = pa.Field(description="when it is done, 5 %")
    done_at_mean: Time = pa.Field(description="mean")
    done_at_high: Time = pa.Field(description="95 %")
    waiting_for: str = pa.Field(nullable=True, description="the step waited for, or how many sites; null: done")
    basis: str = pa.Field(description="what the row stands on")


class Supplies(pa.DataFrameModel):
    """One row a unit and consumable (ballots: a site and style, unit_id null). Key: unit_id, item, site_id, style."""

    unit_id: str = pa.Field(nullable=True, description="the unit; null for ballots")
    site_id: str = pa.Field(nullable=True, description="the site")
    item: str = pa.Field(isin=list(words.SUPPLY_ITEMS), description="which consumable")
    style: str = pa.Field(nullable=True, description="ballot style, for ballots")
    used: float = pa.Field(nullable=True, ge=0, description="used so far, or read into the bin [count]")
    capacity: float = pa.Field(
        nullable=True, ge=0, description="what it holds [count]; null where only ok, low or out is known"
    )
    state: str = pa.Field(nullable=True, description="ok, low, out, as reported")
    full_at_low: Time = pa.Field(
        nullable=True, description="when it is full or used up, if voting went on at the forecast rate, 5 %"
    )
    full_at_mean: Time = pa.Field(nullable=True, description="mean")
    full_at_high: Time = pa.Field(nullable=True, description="95 %")
    chance_full: float = pa.Field(ge=0, le=1, description="chance of that before closing")
    basis: str = pa.Field(description="what the row stands on")


class Reconciliation(pa.DataFrameModel):
    """One row a site that has reported counts. Key: site_id."""

    site_id: str = pa.Field(description="the site")
    checked_in: int = pa.Field(nullable=True, description="voters checked in [count]")
    accounted_for: int = pa.Field(
        nullable=True, description="ballots counted, emergency ballots and voters who left [count]"
    )
    difference: int = pa.Field(nullable=True, description="checked in less counted less emergency [count]")
    standing: str = pa.Field(isin=list(words.RECONCILIATION_STANDINGS), description="what that amounts to")
    likely_cause: str = pa.Field(
        nullable=True,
        isin=list(words.RECONCILIATION_CAUSES),
        description="most likely reason of a difference; null where nothing differs",
    )
    explanation: str = pa.Field(description="the same in words")


class Reports(pa.DataFrameModel):
    """One row a rostered unit: what is known of its own status reports. Key: unit_id."""

    unit_id: str = pa.Field(description="the unit")
    site_id: str = pa.Field(nullable=True, description="where it is; null at the depot")
    reports: int = pa.Field(ge=0, description="reports received [count]")
    last_at: Time = pa.Field(nullable=True, description="time of the newest report, the clock corrected")
    last_received_at: Time = pa.Field(nullable=True, description="when the newest was received")
    silent_minutes: float = pa.Field(nullable=True, ge=0, description="since that receipt [min]")
    clock_offset_minutes: float = pa.Field(
        nullable=True, description="its clock minus true time, as found from receipts; 0 where it passes [min]"
    )
    repeated_numbers: int = pa.Field(ge=0, description="reports whose number had been used before [count]")
    missing_numbers: int = pa.Field(ge=0, description="numbers that never came, or not yet [count]")
    basis: str = pa.Field(description="what is odd about them, in words")


ESTIMATES: dict[str, type[pa.DataFrameModel]] = {
    "lines": Lines,
    "outlook": Outlook,
    "power": Power,
    "exposure": Exposure,
    "circuits": Circuits,
    "remedies": Remedies,
    "reports": Reports,
    "repeats": Repeats,
    "kinds": Kinds,
    "fixes": Fixes,
    "fleet": Fleet,
    "swaps": Swaps,
    "tickets": Tickets,
    "dispatch": Dispatch,
    "standby": Standby,
    "milestones": Milestones,
    "custody": Custody,
    "finish": Finish,
    "supplies": Supplies,
    "reconciliation": Reconciliation,
}
FIRST = "tickets"  # is made and published before the others when something has come
# What stands on neither the lines nor what a unit runs on: it is published where the first lines take long.
WITHOUT_LINES = (
    "reports", "repeats", "kinds", "fixes", "fleet", "milestones", "custody", "finish", "reconciliation",
)  # fmt: skip
AWAITED = "is being worked out for the first time"  # why there is no estimate yet
