"""The review: what the day looked like, for the people who look back at it. A first after-action report.

Every number stands with its count, its interval or its time; nothing here is a vote, and all of it is unofficial.
"""

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.contracts.known import Known
from pipeline.outputs.pages import Answered, long_time, page, whole
from pipeline.outputs.review_equipment import assumptions, outages, repeat_units, steps, taken_in, units_off_mains
from pipeline.outputs.review_voting import (
    OPEN_GRACE_MINUTES,
    ballots,
    counted,
    counts_in_line,
    opening_times,
    openings,
    reconciled,
    tickets_by_category,
    waits,
    waits_by_cause,
)

UNTIMED = "not reported"


def review(known: Known, answers: Answered, intake: Mapping[str, Any]) -> str:
    """The day as one HTML page, complete in itself.

    Parameters
    ----------
    answers : the estimates at the same T
    intake : rows by outcome (`accepted`, `already_known`, `superseded`, `quarantined`, …), or such a table by kind
    """
    zone = known.county.zone
    lost = getattr(answers, "waits", None)  # it replays the day: the board's page goes without
    sections = [
        openings(known),
        ballots(known),
        waits(known, answers.lines),
        *([] if lost is None else [waits_by_cause(known, lost)]),
        counts_in_line(known),
        tickets_by_category(known, answers.tickets),
        outages(known),
        units_off_mains(known, answers.power),
        repeat_units(known, answers.repeats),
        steps(known, answers.milestones),
        reconciled(known, answers.reconciliation),
        taken_in(intake),
        assumptions(known),
    ]
    return page(
        "review.html.j2",
        county=known.county.name,
        day=f"{known.county.election_day.day} {known.county.election_day:%B %Y}",
        as_of=long_time(known.at, zone),
        zone=zone,
        facts=headline(known, answers),
        sections=sections,
    )


def headline(known: Known, answers: Answered) -> list[dict[str, str]]:
    """The figures that come first."""
    opened = opening_times(known)
    told = opened.filter(pl.col("late_minutes").is_not_null())
    late = told.filter(pl.col("late_minutes") > OPEN_GRACE_MINUTES).height
    read = counted(known)
    tickets = answers.tickets
    still = tickets.filter(pl.col("status") != "resolved").height
    dark = answers.power.filter(pl.col("supply") == "dark").height
    overdue = answers.milestones.filter(pl.col("standing") == "overdue").height
    done = answers.reconciliation
    agree = done.filter(pl.col("standing") == "agrees").height
    return [
        fact(
            f"{told.height - late} of {opened.height}",
            f"sites opened on time, within {OPEN_GRACE_MINUTES} min; {late} later, "
            f"{opened.height - told.height} {UNTIMED}",
        ),
        fact(whole(int(read["ballots"].sum())), f"ballots counted, by the reports of {read.height} scanners"),
        fact(whole(tickets.height), f"tickets, {still} not resolved"),
        fact(whole(dark), f"units believed dark; {known.outages.height} utility outages listed"),
        fact(whole(overdue), "steps overdue"),
        fact(f"{agree} of {done.height}", "sites whose counts agree, of those that reported them"),
    ]


def fact(figure: str, said: str) -> dict[str, str]:
    """One headline figure and what it counts."""
    return {"figure": figure, "said": said}
