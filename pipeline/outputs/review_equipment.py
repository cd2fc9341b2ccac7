"""The review's parts on equipment and procedure: power, repeat failures, steps and custody, intake, assumptions."""

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.contracts.known import Known
from pipeline.outputs.pages import MOST_ROWS, Section, between, clock, first_of, minutes, names, percent, whole
from pipeline.settings import ASSUMPTIONS


def outages(known: Known) -> Section:
    """The utility's outages, longest first."""
    zone = known.county.zone
    end = pl.coalesce("restored_at", pl.lit(known.at, dtype=pl.Datetime("us", "UTC")))
    frame = known.outages.with_columns(minutes=(end - pl.col("started_at")).dt.total_seconds() / 60)
    sites = known.sites.group_by("circuit").agg(sites=pl.len())
    rows = [
        (
            row["circuit"],
            whole(row["sites"] or 0),
            clock(row["started_at"], zone, known.at),
            clock(row["restored_at"], zone, known.at),
            minutes(row["minutes"]) + ("" if row["restored_at"] else " so far"),
        )
        for row in frame.join(sites, on="circuit", how="left")
        .sort("minutes", "outage_id", descending=[True, False])
        .head(MOST_ROWS)
        .iter_rows(named=True)
    ]
    return Section(
        "Utility outages",
        f"{frame.height} listed by the utility{first_of(frame.height)}.",
        ("Circuit", "Sites on it", "From", "To", "Lasted"),
        rows,
        (1, 2, 3, 4),
        "The utility listed none.",
    )


def units_off_mains(known: Known, power: pl.DataFrame) -> Section:
    """Units that are dark or on battery at the time of the review."""
    named, zone = names(known), known.county.zone
    frame = power.filter(pl.col("supply").is_in(["dark", "battery"]))
    worst = frame.sort("expected_voter_minutes", "unit_id", descending=[True, False]).head(MOST_ROWS)
    rows = [
        (
            row["unit_id"],
            named.get(row["site_id"], row["site_id"] or "depot"),
            row["supply"],
            clock(row["since"], zone, known.at),
            percent(row["chance_dark"]),
            whole(row["expected_voter_minutes"]),
        )
        for row in worst.iter_rows(named=True)
    ]
    return Section(
        "Units off mains at this time",
        f"{frame.height} units{first_of(frame.height)}.",
        ("Unit", "Site", "Supply", "Since", "Chance dark", "Voter-minutes expected"),
        rows,
        (3, 4, 5),
        "No unit is believed to be off mains.",
    )


def repeat_units(known: Known, repeats: pl.DataFrame) -> Section:
    """Units that fail more often than their like."""
    named = names(known)
    frame = repeats.filter(pl.col("standing") != "ordinary").sort("rank")
    rows = [
        (
            row["unit_id"],
            named.get(row["site_id"], row["site_id"] or "depot"),
            row["standing"],
            str(row["faults"]),
            f"{row['expected_faults']:.1f}",
            between(row["rate_ratio_mean"], row["rate_ratio_low"], row["rate_ratio_high"], 1),
        )
        for row in frame.head(MOST_ROWS).iter_rows(named=True)
    ]
    return Section(
        "Units that failed again and again",
        f"{frame.height} of {repeats.height} units stand out: their fault rate against that of units of their kind.",
        ("Unit", "Site", "Standing", "Faults", "Expected", "Rate ratio"),
        rows,
        (3, 4, 5),
        "No unit stands out from its kind.",
    )


def steps(known: Known, milestones: pl.DataFrame) -> Section:
    """Steps that are overdue, and gaps in custody."""
    named, zone = names(known), known.county.zone
    odd = milestones.filter((pl.col("standing") == "overdue") | pl.col("note").is_not_null())
    overdue = odd.filter(pl.col("standing") == "overdue").height
    rows = [
        (
            named.get(row["site_id"], row["site_id"]),
            row["milestone"].replace("-", " "),
            clock(row["due_at"], zone, known.at),
            clock(row["at"], zone, known.at),
            row["standing"],
            row["note"] or "",
        )
        for row in odd.sort("due_at", "site_id", "milestone", nulls_last=True).head(4 * MOST_ROWS).iter_rows(named=True)
    ]
    shown = f"; the first {len(rows)} are shown" if odd.height > len(rows) else ""
    return Section(
        "Steps overdue and gaps in custody",
        f"{overdue} steps overdue, {odd.height - overdue} others with something to look into{shown}.",
        ("Site", "Step", "Due", "Done", "Standing", "Note"),
        rows,
        (2, 3),
        "Every step that applies is done or not yet due, and nothing is out of order.",
    )


def taken_in(intake: Mapping[str, Any]) -> Section:
    """Rows taken in, by outcome."""
    if any(isinstance(value, Mapping) for value in intake.values()):
        tables = {kind: value for kind, value in sorted(intake.items()) if isinstance(value, Mapping)}
        outcomes = list(dict.fromkeys(name for value in tables.values() for name in value))
        rows = [(kind, *(whole(value.get(name, 0)) for name in outcomes)) for kind, value in tables.items()]
        return Section(
            "Rows taken in", "", ("Kind", *(said(name) for name in outcomes)), rows, tuple(range(1, len(outcomes) + 1))
        )
    rows = [(said(name), whole(value)) for name, value in intake.items() if isinstance(value, int | float)]
    return Section("Rows taken in", "", ("Outcome", "Rows"), rows, (1,), "Nothing is known about the intake.")


def said(name: str) -> str:
    """A column's name as a heading."""
    return name.replace("_", " ")


def assumptions(known: Known) -> Section:
    """The assumptions in force, the county's own first."""
    rows = []
    for name, a in ASSUMPTIONS.items():
        value = known.settings[name]
        if value != a.default:
            rows.append((name, f"{value:g} {a.unit}".strip(), f"{a.default:g}", a.meaning, a.source))
    lead = (
        f"{len(ASSUMPTIONS)} assumptions, {len(rows)} of them changed by the county. A new book's settings.toml lists "
        "them all with unit, meaning and source."
    )
    names_ = ("Assumption", "Here", "Default", "Meaning", "Source of the default")
    return Section("Assumptions", lead, names_, rows, (1, 2), "Every assumption stands at its default.")
