"""The shift's hand-over: what is open, promised, watched and why, on one page to print."""

import textwrap
from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.contracts.known import Known
from pipeline.contracts.words import DISMISS
from pipeline.estimates.dispatch.cautions import DANGER, LOCAL
from pipeline.estimates.dispatch.reasons import called
from pipeline.normalise.entered import said, standing
from pipeline.outputs.pages import Answered, Section, between, clock, keep_away, long_time, names, page, percent, whole

LINE_CHANCE = 1 / 3  # chance of a wait over 30 min from which a line is watched; our choice
FULL_CHANCE = 0.5  # chance to run out from which a supply is watched; our choice
RUNS_OUT = {
    "bin": "bin full",
    "emergency": "emergency compartment full",
    "paper": "paper used up",
    "ballots": "ballots used up",
}
WORDS = 180  # letters of a caller's words that are printed, all where people are in danger; our choice


def hand_over(known: Known, answers: Answered) -> str:
    """What the next shift has to know, as one HTML page, complete in itself."""
    zone = known.county.zone
    return page(
        "hand_over.html.j2",
        title=f"Hand-over, {known.county.name}",
        county=known.county.name,
        as_of=long_time(known.at, zone),
        zone=zone,
        away=keep_away(known, answers.tickets),
        danger_text=f"{DANGER} {LOCAL}",
        sections=[
            open_tickets(known, answers.tickets),
            promised(known, answers),
            watched_lines(known, answers.lines),
            watched_units(known, answers),
            late_steps(known, answers.milestones),
            differing(known, answers.reconciliation),
            set_aside(known),
        ],
        forms=0,
    )


def open_tickets(known: Known, tickets: pl.DataFrame) -> Section:
    """Every ticket that is not resolved, danger to people and then the gravest first, with who has it."""
    named, zone = names(known), known.county.zone
    told = known.tickets.select("ticket_id", "text", "rover_id", place="site")
    rows = tickets.filter(pl.col("status") != "resolved").join(told, on="ticket_id", how="left")
    is_danger = pl.col("categories").list.contains("safety")
    order = rows.sort(~is_danger, "severity", -pl.col("voter_minutes_at_risk"), "ticket_id")
    return Section(
        "Open",
        f"{rows.height} tickets are not resolved; danger to people stands first, then the gravest."
        if rows.height
        else "",
        ("Ticket", "Since", "Place", "What", "Who has it", "In the caller's words"),
        [
            (
                r["ticket_id"],
                clock(r["opened_at"], zone, known.at),
                named.get(r["site_id"], f"not recognised: “{r['place']}”"),
                called(r["category"]) + (f", {r['unit_id']}" if r["unit_id"] else ""),
                holder(r),
                short(r["text"], "safety" in r["categories"]) + (f" (repeats {r['same_as']})" if r["same_as"] else ""),
            )
            for r in order.iter_rows(named=True)
        ],
        empty="No ticket is open.",
    )


def holder(row: Mapping[str, Any]) -> str:
    """Who has a ticket."""
    if row["status"] == "open":
        return "nobody"
    return str(row["rover_id"] or "by telephone")


def short(text: str | None, is_whole: bool = False) -> str:
    """A caller's words, cut after a word where they run on."""
    told = " ".join((text or "").split())
    if is_whole or len(told) <= WORDS:
        return told
    cut = textwrap.shorten(told, WORDS, placeholder=" …").strip()
    return cut if len(cut) > 1 else told[: WORDS - 1] + "…"  # one word that is longer than that


def promised(known: Known, answers: Answered) -> Section:
    """What somebody has been told: rovers under way, power promised back."""
    named, zone = names(known), known.county.zone
    plan = answers.dispatch
    going = plan.filter(pl.col("is_under_way").fill_null(False)) if "is_under_way" in plan.columns else plan.clear()
    rows = [
        (named.get(r["site_id"], r["site_id"]), f"{r['rover_id']} is under way", clock(r["arrive_at"], zone, known.at))
        for r in going.sort("arrive_at").iter_rows(named=True)
    ]
    due = known.outages.filter(pl.col("restored_at").is_null() & pl.col("estimated_restoration_at").is_not_null())
    rows += [
        (f"circuit {r['circuit']}", "the utility promises power", clock(r["estimated_restoration_at"], zone, known.at))
        for r in due.sort("estimated_restoration_at", "outage_id").iter_rows(named=True)
    ]
    return Section("Promised", "", ("Where", "What", "When"), rows, empty="Nothing is promised.")


def watched_lines(known: Known, lines: pl.DataFrame) -> Section:
    """Lines in which a wait over 30 minutes may well be."""
    named = names(known)
    rows = lines.filter(pl.col("chance_over_30") >= LINE_CHANCE).sort(
        "chance_over_30", "site_id", "line", descending=[True, False, False]
    )
    return Section(
        "Lines watched",
        "",
        ("Place", "Line", "People waiting", "Wait, min", "Chance over 30 min", "Stands on"),
        [
            (
                named.get(r["site_id"], r["site_id"]),
                "check-in" if r["line"] == "checkin" else "scanner",
                between(r["waiting_median"], r["waiting_low"], r["waiting_high"]),
                between(r["wait_minutes_median"], r["wait_minutes_low"], r["wait_minutes_high"]),
                percent(r["chance_over_30"]),
                r["basis"],
            )
            for r in rows.iter_rows(named=True)
        ],
        (2, 3, 4),
        "No line is likely over 30 minutes.",
    )


def watched_units(known: Known, answers: Answered) -> Section:
    """Units off mains, units that keep failing, and what runs out."""
    named, zone = names(known), known.county.zone
    power = answers.power.filter(pl.col("supply").is_in(["battery", "dark"])).sort("empty_at_mean", "unit_id")
    failing = answers.repeats.filter(pl.col("standing") != "ordinary").sort("rank")
    short_of = answers.supplies.filter(pl.col("chance_full") >= FULL_CHANCE).sort("full_at_mean", "site_id", "item")
    rows = [
        (
            r["unit_id"],
            named.get(r["site_id"], "depot"),
            "dark"
            if r["supply"] == "dark"
            else f"on battery, empty {clock(r['empty_at_low'], zone, known.at)} to "
            f"{clock(r['empty_at_high'], zone, known.at)}",
            r["basis"],
        )
        for r in power.iter_rows(named=True)
    ]
    rows += [
        (
            r["unit_id"],
            named.get(r["site_id"], "depot"),
            f"fails again: {r['standing']}",
            f"{r['faults']} faults, {r['expected_faults']:.1f} expected of its like",
        )
        for r in failing.iter_rows(named=True)
    ]
    rows += [
        (
            r["unit_id"] or f"style {r['style']}",
            named.get(r["site_id"], r["site_id"] or "–"),
            runs_out(r, clock(r["full_at_mean"], zone, known.at)),
            r["basis"],
        )
        for r in short_of.iter_rows(named=True)
    ]
    return Section(
        "Units and supplies watched", "", ("What", "Where", "Why", "Stands on"), rows, empty="Nothing is watched."
    )


def runs_out(row: Mapping[str, Any], about: str) -> str:
    """What is full or used up, and when that is foreseen; where no time is, what was reported."""
    return (
        f"{RUNS_OUT[row['item']]} about {about}"
        if row["full_at_mean"]
        else f"{row['item']} reported {row['state'] or 'short'}"
    )


def differing(known: Known, reconciliation: pl.DataFrame) -> Section:
    """Sites whose counts of people and ballots do not agree."""
    named = names(known)
    rows = reconciliation.filter(pl.col("standing") == "differs").sort(
        pl.col("difference").abs(), "site_id", descending=[True, False]
    )
    return Section(
        "Counts that differ",
        "A difference is a question to the site: two people count again, and the election official decides."
        if rows.height
        else "",
        ("Place", "Checked in", "Accounted for", "What it may be"),
        [
            (
                named.get(r["site_id"], r["site_id"]),
                whole(r["checked_in"]),
                whole(r["accounted_for"]),
                r["explanation"] or "–",
            )
            for r in rows.iter_rows(named=True)
        ],
        (1, 2),
        f"No counts differ; {reconciliation.height} sites have reported theirs.",
    )


def late_steps(known: Known, steps: pl.DataFrame) -> Section:
    """Steps overdue and gaps in custody."""
    named, zone = names(known), known.county.zone
    late = steps.filter((pl.col("standing") == "overdue") | pl.col("note").is_not_null()).sort("due_at", "site_id")
    return Section(
        "Steps overdue or out of order",
        "",
        ("Place", "Step", "Due", "Note"),
        [
            (
                named.get(r["site_id"], r["site_id"]),
                r["milestone"].replace("-", " "),
                clock(r["due_at"], zone, known.at),
                " ".join(filter(None, (r["note"] or "Not reported.", r["advice"]))),
            )
            for r in late.iter_rows(named=True)
        ],
        empty="No step is overdue.",
    )


def set_aside(known: Known) -> Section:
    """What the room has put aside, with the reason that was given."""
    zone = known.county.zone
    rows = standing(known.entries).filter(pl.col("action").is_in([DISMISS, "alarm-muted"])).sort("at", "entry_id")
    return Section(
        "Put aside, and why",
        "",
        ("When", "What", "Why"),
        [
            (
                clock(r["at"], zone, known.at),
                said(r["values"]).get("what") or r["target"] or "–",
                said(r["values"]).get("why", "–"),
            )
            for r in rows.iter_rows(named=True)
        ],
        empty="Nothing has been put aside.",
    )


def sites_listed(known: Known, phones: Mapping[str, str]) -> Section:
    """Every place with its address and, where allowed, its telephone."""
    zone = known.county.zone
    return Section(
        "Places",
        "" if phones else "Telephone numbers are left out: the pack was made without `--phones`.",
        ("Id", "Place", "Address", "Hours", "Telephone"),
        [
            (
                r["site_id"],
                r["name"] or r["site_id"],
                r["address"] or "–",
                f"{clock(r['opens_at'], zone, known.at)} to {clock(r['closes_at'], zone, known.at)}",
                phones.get(r["phone"] or "", ""),
            )
            for r in known.sites.sort("name", "site_id").iter_rows(named=True)
        ],
        empty="No roster of places has been received.",
    )


def rovers_listed(known: Known, dispatch: pl.DataFrame) -> Section:
    """Every rover with its shift, skills, parts and proposed stops."""
    named, zone = names(known), known.county.zone
    stops: dict[str, list[str]] = {}
    for r in dispatch.sort("rover_id", "stop").iter_rows(named=True):
        stops.setdefault(r["rover_id"], []).append(
            f"{r['stop']}. {named.get(r['site_id'], r['site_id'])} about {clock(r['arrive_at'], zone, known.at)}"
        )
    return Section(
        "Rovers",
        "Proposed stops; the dispatcher decides.",
        ("Rover", "Shift", "Skills", "Parts", "Next stops", "Where now (by hand)"),
        [
            (
                r["rover_id"],
                f"{clock(r['on_shift_at'], zone, known.at)} to {clock(r['off_shift_at'], zone, known.at)}",
                (r["skills"] or "–").replace(";", ", "),
                (r["parts"] or "–").replace(";", ", "),
                "; ".join(stops.get(r["rover_id"], [])) or "–",
                "",
            )
            for r in known.rovers.sort("rover_id").iter_rows(named=True)
        ],
        empty="No roster of rovers has been received.",
    )
