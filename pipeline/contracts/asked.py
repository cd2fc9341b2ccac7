"""The shape of what is answered on request only, and of the lists that such a question brings along.

Waits by cause, what-if, a supposed outage, the next day's needs, grades. They replay or run on whole days, so they are
not part of `estimate all` and are not published. Bounds and nulls as in `estimates`.
"""

import pandera.polars as pa

from pipeline.contracts import words
from pipeline.contracts.feeds import Time

WAIT_CAUSES = ("all", "stations-short", "scanner-stopped", "power", "late-opening")  # our choice
GROUPS = ("all", "long lines", "stopped units", "no telemetry")  # our choice


class Waits(pa.DataFrameModel):
    """One row a site and cause. Key: site_id, cause. `all` is what people waited; the others what a cause cost of it.

    A cause's loss is the wait in the same particles less the wait with that cause switched off. Losses overlap: they do
    not add up to the whole, most of which has no cause but many people at once.
    """

    site_id: str = pa.Field(description="the site")
    cause: str = pa.Field(isin=list(WAIT_CAUSES), description="what made people wait")
    voter_minutes_mean: float = pa.Field(
        description="waited at check-in and scanners, from the scheduled opening to T or the last voter [voter-minutes]"
    )
    voter_minutes_median: float = pa.Field(description="the point: nearer to what was waited than the mean")
    voter_minutes_low: float = pa.Field(description="5 %")
    voter_minutes_high: float = pa.Field(description="95 %")
    share: float = pa.Field(ge=0, le=1, description="of what people waited at that site, by the means")
    basis: str = pa.Field(description="what the row stands on")


class WhatIf(pa.DataFrameModel):
    """One row a line, and one for `all` of them. Key: site_id, line. Changes below nought: less waiting."""

    site_id: str = pa.Field(description="the site")
    line: str = pa.Field(isin=["checkin", "booth", "scanner", "all"], description="which line; booth: for a free booth")
    from_at: Time = pa.Field(description="when the change begins, and from when waits count")
    change: str = pa.Field(description="the change in words")
    voters_mean: float = pa.Field(ge=0, description="voters at the site then, or still to come [count], mean")
    wait_minutes_as_is_mean: float = pa.Field(ge=0, description="wait of one of these voters without the change [min]")
    wait_minutes_changed_mean: float = pa.Field(ge=0, description="with it [min]")
    wait_minutes_change_mean: float = pa.Field(description="the difference, particle by particle [min], mean")
    wait_minutes_change_low: float = pa.Field(description="5 %")
    wait_minutes_change_high: float = pa.Field(description="95 %")
    voter_minutes_as_is_mean: float = pa.Field(ge=0, description="waited by all of them without the change")
    voter_minutes_changed_mean: float = pa.Field(ge=0, description="with it")
    voter_minutes_change_mean: float = pa.Field(description="the difference [voter-minutes], mean")
    voter_minutes_change_low: float = pa.Field(description="5 %")
    voter_minutes_change_high: float = pa.Field(description="95 %")
    basis: str = pa.Field(description="what the row stands on")


class HandTimes(pa.DataFrameModel):
    """One row a line counted by hand: what is graded against. Any CSV file in the folder, but for `stops*.csv`."""

    site_id: str = pa.Field(nullable=False, description="the site, as the roster has it")
    line: str = pa.Field(nullable=False, description="which line: checkin or scanner")
    at: Time = pa.Field(nullable=False, description="when it was counted; HH:MM is local, on election day")
    waiting: float = pa.Field(nullable=False, description="people waiting, not yet being served [count]")
    wait_minutes: float = pa.Field(
        nullable=True, description="how long someone who joined then waited until service began, by the clock [min]"
    )


class StopTimes(pa.DataFrameModel):
    """One row a stop of a unit that serves a line: `stops*.csv` in the same folder, optional."""

    site_id: str = pa.Field(nullable=False, description="the site")
    line: str = pa.Field(nullable=False, description="which line the unit serves: checkin or scanner")
    started_at: Time = pa.Field(nullable=False, description="when it stopped")
    ended_at: Time = pa.Field(nullable=True, description="when it worked again")


class ExpectedVoters(pa.DataFrameModel):
    """One row a site of the next election: the list that `wardbook plan --next` reads."""

    site_id: str = pa.Field(nullable=False, description="the site; one that the roster lists has its own service times")
    expected_voters: float = pa.Field(nullable=False, description="voters expected there on the day [count]")
    opens: Time = pa.Field(nullable=True, description="HH:MM, local; as on this election day if left out")
    closes: Time = pa.Field(nullable=True, description="HH:MM, local; likewise")


class NextDay(pa.DataFrameModel):
    """One row a site of the list. Key: site_id."""

    site_id: str = pa.Field(description="the site")
    expected_voters: float = pa.Field(ge=0, description="as the list says [count]")
    stations: int = pa.Field(ge=1, description="fewest check-in stations that keep waits short [count]")
    booths: int = pa.Field(ge=1, description="fewest booths [count]")
    scanners: int = pa.Field(ge=1, description="fewest scanners [count]")
    chance_over_30: float = pa.Field(
        ge=0, le=1, description="chance that a voter of the worst hour waits over 30 minutes, with these"
    )
    worst_hour: str = pa.Field(nullable=True, description="which hour that is, local; null where nobody is expected")
    chance_over_30_whole_day: float = pa.Field(ge=0, le=1, description="likewise for a voter at any time of the day")
    stations_erlang: int = pa.Field(nullable=True, ge=1, description="stations by Erlang C for the busiest hour")
    booths_erlang: int = pa.Field(nullable=True, ge=1, description="booths by Erlang C")
    scanners_erlang: int = pa.Field(nullable=True, ge=1, description="scanners by Erlang C")
    stations_queue_stop: int = pa.Field(nullable=True, ge=1, description="stations by the queue stop rule")
    booths_queue_stop: int = pa.Field(nullable=True, ge=1, description="booths by the queue stop rule")
    scanners_queue_stop: int = pa.Field(nullable=True, ge=1, description="scanners by the queue stop rule")
    checkin_minutes: float = pa.Field(gt=0, description="mean service at check-in, as learnt [min]")
    marking_minutes: float = pa.Field(gt=0, description="mean time in a booth, as learnt [min]")
    scan_minutes: float = pa.Field(gt=0, description="mean time at a scanner, as learnt [min]")
    basis: str = pa.Field(description="what the row stands on, and what is odd about it")


class Grades(pa.DataFrameModel):
    """One row a line, group and forecaster. Key: line, group, forecaster."""

    line: str = pa.Field(isin=list(words.LINES), description="which line")
    group: str = pa.Field(isin=list(GROUPS), description="which of the counts")
    forecaster: str = pa.Field(
        isin=["wardbook", "last-count", "roster"], description="whose figures: ours, or one of the two references"
    )
    counts: int = pa.Field(ge=0, description="counts by hand that there are in the group [count]")
    missing: int = pa.Field(ge=0, description="of these, without an estimate [count]; left out of all that follows")
    waiting_counted_mean: float = pa.Field(nullable=True, ge=0, description="people counted, mean")
    mae: float = pa.Field(nullable=True, ge=0, description="mean absolute error of waiting_median [people]")
    rmse: float = pa.Field(nullable=True, ge=0, description="root of the mean squared error of waiting_mean [people]")
    bias: float = pa.Field(nullable=True, description="waiting_median less the count, mean [people]")
    bias_mean: float = pa.Field(nullable=True, description="waiting_mean less the count, mean [people]")
    crps: float = pa.Field(nullable=True, ge=0, description="continuous ranked probability score [people]")
    coverage: float = pa.Field(
        nullable=True, ge=0, le=1, description="counts within 5 % and 95 %, give or take half a person; .9 is right"
    )
    width: float = pa.Field(nullable=True, ge=0, description="mean width of that interval [people]")
    wait_mae: float = pa.Field(nullable=True, ge=0, description="mean absolute error of wait_minutes_median [min]")
    timed: int = pa.Field(ge=0, description="counts with a timed wait, on which the following stand [count]")
    over_30_share: float = pa.Field(nullable=True, ge=0, le=1, description="of these, waits over 30 minutes")
    brier: float = pa.Field(nullable=True, ge=0, le=1, description="Brier score of chance_over_30; 0 is best")
    brier_skill: float = pa.Field(nullable=True, le=1, description="1 less brier over uncertainty; null if that is 0")
    reliability: float = pa.Field(nullable=True, ge=0, description="Murphy's first term; 0 is best")
    resolution: float = pa.Field(nullable=True, ge=0, description="Murphy's second term; more is better")
    uncertainty: float = pa.Field(nullable=True, ge=0, le=0.25, description="Murphy's third term: of the waits alone")
    within: float = pa.Field(
        nullable=True,
        description="what chances that differ within a bin add: brier = reliability - resolution + "
        "uncertainty + within",
    )


class Reliability(pa.DataFrameModel):
    """One row a line and bin of chances: what was said against what came of it. Key: line, bin_low."""

    line: str = pa.Field(isin=list(words.LINES), description="which line")
    bin_low: float = pa.Field(ge=0, le=1, description="where the bin begins")
    bin_high: float = pa.Field(ge=0, le=1, description="where it ends")
    rows: int = pa.Field(ge=1, description="chances in the bin [count]")
    chance_mean: float = pa.Field(ge=0, le=1, description="chance said, mean")
    over_30_share: float = pa.Field(ge=0, le=1, description="share that did wait over 30 minutes")


class IfOut(pa.DataFrameModel):
    """One row a circuit (site_id null) or a site of it, the costliest first. Key: circuit, site_id."""

    rank: int = pa.Field(ge=1, description="1 costs most; circuits before sites")
    circuit: str = pa.Field(description="utility circuit")
    site_id: str = pa.Field(nullable=True, description="the site; null: the whole circuit")
    from_at: Time = pa.Field(description="when the outage would begin")
    until_at: Time = pa.Field(description="when it would end")
    sites: int = pa.Field(ge=0, description="sites there with units [count]")
    units: int = pa.Field(ge=0, description="units there [count]")
    units_dark: float = pa.Field(ge=0, description="of these, expected to go dark before it ends [count]")
    scanners_dark: float = pa.Field(ge=0, description="likewise of its scanners")
    poll_books_dark: float = pa.Field(ge=0, description="likewise of its poll books")
    accessible_dark: float = pa.Field(ge=0, description="likewise of its accessible units")
    empty_at_first: Time = pa.Field(nullable=True, description="when the first battery is expected to be empty")
    expected_dark_minutes: float = pa.Field(ge=0, description="of its units together [unit-minutes]")
    expected_voter_minutes: float = pa.Field(ge=0, description="what that costs [voter-minutes], mean")
    voter_minutes_low: float = pa.Field(ge=0, description="if every battery ran as long as one in twenty does")
    voter_minutes_high: float = pa.Field(ge=0, description="if every battery ran as short as one in twenty does")
    basis: str = pa.Field(description="what the row stands on")


class OneMore(pa.DataFrameModel):
    """What one more rover, part or spare unit would save. Two rows: so far, and from now on. Key: change, when."""

    change: str = pa.Field(description="what there would be more of")
    when: str = pa.Field(isin=["so far", "from now on"], description="so far: had it been there from the start")
    voter_minutes_saved: float = pa.Field(ge=0, description="less lost with it [voter-minutes], mean")
    voter_minutes_saved_low: float = pa.Field(ge=0, description="5 %")
    voter_minutes_saved_high: float = pa.Field(ge=0, description="95 %")
    count: int = pa.Field(ge=0, description="visits, stops or swaps that it was worked out from")
    basis: str = pa.Field(description="what the row stands on")


LISTS: dict[str, type[pa.DataFrameModel]] = {
    "plan --next: a CSV file": ExpectedVoters,
    "grade --truth: counts by hand": HandTimes,
    "grade --truth: stops": StopTimes,
}
ASKED: dict[str, type[pa.DataFrameModel]] = {
    "estimate waits": Waits,
    "estimate power --if-out": IfOut,
    "whatif": WhatIf,
    "whatif --rovers, --part or --spare": OneMore,
    "plan": NextDay,
    "grade": Grades,
    "grade --bins": Reliability,
}
