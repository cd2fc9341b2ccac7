"""Opening, closing and custody steps: due when, done when, overdue or not, and what is out of order.

Method and limits: docs/methods/closing.md.
"""

import re
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contracts import estimates, words
from pipeline.contracts.known import County, Known, MilestoneRule, empty
from pipeline.estimates.steps.advice import advice
from pipeline.estimates.steps.notes import gaps
from pipeline.settings import Settings

ONLY_WHEN_REPORTED = tuple(name for name in words.VOTING_STEPS if name != "open")
ONLY_WHEN_USED = tuple(name for name in words.MILESTONES if name.startswith(("ballots-", "provisional-")))
BEFORE_OPENING = ("arrived", "seals-checked", "zero-tape", "open")
DUE = re.compile(r"^\s*(opens|closes)\s*(?:([+-])\s*(\d+(?:\.\d+)?))?\s*$")
CLOCK = re.compile(r"^\s*(\d{1,2}):(\d{2})\s*$")


def milestones(known: Known) -> pl.DataFrame:
    """Every site's steps that apply, in the day's order."""
    reported = reports(known)
    frame = due_steps(known, reported)
    if frame.is_empty():
        return empty(estimates.Milestones)
    done = frame.join(reported, on=["site_id", "milestone"], how="left")
    names = list(empty(estimates.Milestones).columns)
    order = {name: place for place, name in enumerate(words.MILESTONES)}
    return (
        done.join(gaps(known, done), on=["site_id", "milestone"], how="left")
        .join(advice(known, done), on=["site_id", "milestone"], how="left")
        .with_columns(standing=standing(known.at), note=pl.col("note").fill_null(pl.col("rule_note")))
        .sort("site_id", pl.col("milestone").replace_strict(order, return_dtype=pl.Int64))
        .select(names)
    )


def reports(known: Known) -> pl.DataFrame:
    """The first report of each site's step, over its items; of orders the newest: columns site_id, milestone, at."""
    is_order = pl.col("milestone").first().is_in(ONLY_WHEN_REPORTED)
    return (
        known.milestones.filter(pl.col("at") <= known.at + timedelta(minutes=5))
        .group_by("site_id", "milestone")
        .agg(at=pl.when(is_order).then(pl.col("at").max()).otherwise(pl.col("at").min()))
    )


def due_steps(known: Known, reported: pl.DataFrame) -> pl.DataFrame:
    """The steps that apply with their due times: site_id, milestone, due_at, grace_minutes, rule_note."""
    said = set(reported.select("site_id", "milestone").iter_rows())
    used = {name.split("-", 1)[0] for name in reported["milestone"].to_list() if name in ONLY_WHEN_USED}
    rules = {name: rule_for(name, known.county, known.settings) for name in words.MILESTONES}
    rows = []
    for site_id, opens, closes in known.sites.select("site_id", "opens_at", "closes_at").sort("site_id").iter_rows():
        for name, rule in rules.items():
            is_own = name in known.county.milestones
            if not ((site_id, name) in said or applies(rule, name, is_own, used)):
                continue
            due, note = due_at(rule, opens, closes, known.county)
            rows.append((site_id, name, due, float(rule.grace_minutes) if rule else 0.0, note))
    schema: dict[str, pl.DataType | type[pl.DataType]] = {
        "site_id": pl.String,
        "milestone": pl.String,
        "due_at": pl.Datetime("us", "UTC"),
        "grace_minutes": pl.Float64,
        "rule_note": pl.String,
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def rule_for(name: str, county: County, settings: Settings) -> MilestoneRule | None:
    """The county's own rule for a step, else the default; none for a step that has no due time of its own."""
    if name in county.milestones:
        return county.milestones[name]
    key = name.replace("-", "_")
    if f"milestones.{key}_minutes" not in settings:
        return None
    anchor = "opens" if name in BEFORE_OPENING else "closes"
    grace = settings["milestones.grace_minutes"]
    return MilestoneRule(name, name not in ONLY_WHEN_USED, f"{anchor}{settings[f'milestones.{key}_minutes']:+g}", grace)


def applies(rule: MilestoneRule | None, name: str, is_own: bool, used: set[str]) -> bool:
    """Whether a step that nobody has reported has a row: by the county's own rule, by default, or as its kind is used.

    Ballots and provisional ballots have steps of their own only in some counties: once one site has reported such a
    step, all are expected to.
    """
    if rule is None or name in ONLY_WHEN_REPORTED:
        return False
    return rule.applies or (not is_own and name.split("-", 1)[0] in used)


def due_at(
    rule: MilestoneRule | None, opens: datetime, closes: datetime, county: County
) -> tuple[datetime | None, str | None]:
    """When a step is due, or a null with the reason.

    An HH:MM is local time on election day; where it precedes the opening but belongs to the closing it is the
    next day's.
    """
    if rule is None:
        return None, None
    if match := DUE.match(rule.due):
        minutes = float(match[3] or 0) * (-1 if match[2] == "-" else 1)
        return (opens if match[1] == "opens" else closes) + timedelta(minutes=minutes), None
    if (match := CLOCK.match(rule.due)) and int(match[1]) < 24 and int(match[2]) < 60:
        zone = ZoneInfo(county.zone)
        day = opens.astimezone(zone).date()
        due = datetime.combine(day, time(int(match[1]), int(match[2])), zone).astimezone(opens.tzinfo)
        if rule.name not in BEFORE_OPENING and due < opens:
            due = datetime.combine(day + timedelta(days=1), time(int(match[1]), int(match[2])), zone)
        return due.astimezone(opens.tzinfo), None
    return None, f"the county's due time {rule.due!r} is not one: write opens-30, closes+60 or HH:MM"


def standing(at: datetime) -> pl.Expr:
    """Done, not yet due, due (within grace) or overdue. Without a due time a step is not due until it is done."""
    late = pl.col("due_at") + pl.duration(seconds=(pl.col("grace_minutes") * 60).cast(pl.Int64))
    return (
        pl.when(pl.col("at").is_not_null())
        .then(pl.lit("done"))
        .when(pl.col("due_at").is_null() | (pl.col("due_at") > at))
        .then(pl.lit("not-due"))
        .when(late < at)
        .then(pl.lit("overdue"))
        .otherwise(pl.lit("due"))
    )
