"""Who holds which sealed item since when: removable media, voted ballots, provisional ballots."""

from datetime import datetime, timedelta
from typing import Any

import polars as pl

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty

KINDS = ("media", "ballots", "provisional")
PEOPLE = ("from", "to", "witness", "reported_by")  # columns of a step that name somebody
STAGES = ("sealed", "handed-over", "received")  # contract, list of milestones: the same three for every kind


def custody(known: Known, steps: pl.DataFrame) -> pl.DataFrame:
    """A row an item that has a custody step at its site, with its holder and what is broken: `estimates.Custody`.

    Parameters
    ----------
    steps : the estimate `milestones`: which steps apply and when they are due
    """
    said = known.milestones.filter(pl.col("at") <= known.at + timedelta(minutes=5)).sort(
        "site_id", "milestone", "item", "at", nulls_last=True
    )
    reports: dict[tuple[str, str, str], dict[str, dict[str, Any]]] = {}
    for row in said.iter_rows(named=True):
        kind, _, stage = row["milestone"].partition("-")
        if kind in KINDS and stage in STAGES:
            reports.setdefault((row["site_id"], kind, row["item"] or ""), {})[stage] = row
    names_used = any(row["witness"] for stages in reports.values() for row in stages.values())
    due = {
        (s, m): (d, standing) for s, m, d, standing in steps.select("site_id", "milestone", "due_at", "standing").rows()
    }
    named = {key[:2] for key in reports}
    for site_id, milestone in due:  # an item that nobody has named yet is still with the site
        kind, _, stage = milestone.partition("-")
        if kind in KINDS and stage == "sealed" and (site_id, kind) not in named:
            reports[site_id, kind, ""] = {}
    rows = [one_item(known, key, stages, due, names_used) for key, stages in sorted(reports.items())]
    return pl.DataFrame(rows, schema=empty(estimates.Custody).schema, orient="row")


def one_item(
    known: Known,
    key: tuple[str, str, str],
    stages: dict[str, dict[str, Any]],
    due: dict[tuple[str, str], tuple[datetime | None, str]],
    names_used: bool,
) -> dict[str, object]:
    """One item's row."""
    site_id, kind, item = key
    last = next((stage for stage in reversed(STAGES) if stage in stages), None)
    row = stages[last] if last else {}
    following = STAGES[0] if last is None else None if last == "received" else STAGES[STAGES.index(last) + 1]
    due_at, standing = due.get((site_id, f"{kind}-{following}"), (None, "not-due"))
    since = row.get("at")
    waited = (known.at - since).total_seconds() / 60 if since else 0.0
    is_lost = last == "handed-over" and waited > known.settings["milestones.custody_minutes"]
    found = breaks(stages, names_used)
    return {
        "site_id": site_id,
        "kind": kind,
        "item": item or None,
        "stage": last or "not sealed",
        "holder": holder(last, row),
        "since": since,
        "people": people(row),
        "seal": next(
            (stages[s][n] for s in reversed(STAGES) for n in ("seal_out", "seal_in") if stages.get(s, {}).get(n)), None
        ),
        "next_step": f"{kind}-{following}" if following else None,
        "due_at": due_at,
        "is_overdue": bool(following) and (standing == "overdue" or is_lost),
        "broken_at": found[0][0] if found else None,
        "broken": " ".join(text for _, text in found) or None,
    }


def holder(last: str | None, row: dict[str, Any]) -> str:
    """Who or what holds the item: the one who took it over, as given; else the site, or the place of receipt."""
    if last in ("handed-over", "received"):
        return row.get("to") or ("receiving place" if last == "received" else "not named")
    return "site"


def people(row: dict[str, Any]) -> list[str]:
    """The people named for a step, as given (tokens stand for them in the log), each once."""
    return list(dict.fromkeys(row[name] for name in PEOPLE if row.get(name)))


def breaks(stages: dict[str, dict[str, Any]], names_used: bool) -> list[tuple[datetime, str]]:
    """What breaks the chain, each with the time of the step at which it shows: facts as reported, no guesses."""
    found: list[tuple[datetime, str]] = []
    before: dict[str, Any] | None = None
    for stage in STAGES:
        row = stages.get(stage)
        if row is None:
            continue
        at = row["at"]
        if before is not None:
            seal = before["seal_out"] or before["seal_in"]
            if row["seal_in"] and seal and row["seal_in"] != seal:
                found.append((at, f"Seal {row['seal_in']} found where {seal} had been put on."))
            if at < before["at"]:
                found.append((at, f"{stage.capitalize()} before the step that comes first."))
            if stage == "received" and row["from"] and before["to"] and row["from"] != before["to"]:
                found.append((at, "Received from another hand than it was given to."))
        if stage == "handed-over" and row["from"] and row["from"] == row["to"]:
            found.append((at, "Giver and taker are the same."))
        if names_used and stage != "received" and len(people(row)) < 2:
            found.append((at, f"{stage.capitalize()} with fewer than two people named."))
        before = row
    skipped = [s for s in STAGES[: max((STAGES.index(s) for s in stages), default=0)] if s not in stages]
    if skipped and stages:
        last = max(row["at"] for row in stages.values())
        found.append((last, f"No report that it was {' or '.join(skipped)}."))
    return sorted(found)
