"""End-of-day counts of a site against each other: what differs, and the likeliest cause. Ballot counts, never votes.

Method and limits: docs/methods/closing.md.
"""

from dataclasses import fields

import polars as pl

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty
from pipeline.estimates.counts import causes
from pipeline.estimates.counts.causes import Counts, Heard

LIKELY = {
    "emergency": "ballots of the emergency compartment have probably not been added",
    "rescanned": "a stack was probably scanned twice, as after a jam",
    "left": "voters probably left without casting their ballots",
    "provisional": "provisional ballots were probably counted as regular ones",
    "poll-book": "a poll book is probably behind: more ballots were issued than voters checked in",
    "unexplained": "nothing that was reported explains it",
}


def reconciliation(known: Known, readings: pl.DataFrame) -> pl.DataFrame:
    """Every site that has reported counts, by the identities of the contract's section 2."""
    heard = causes.heard_at(known, readings)
    small = known.settings["reconciliation.small_difference"]
    names = [f.name for f in fields(Counts)]
    rows = [
        verdict(Counts(**row), heard.get(row["site_id"], Heard()), small)
        for row in known.reconciliation.select(names).sort("site_id").iter_rows(named=True)
    ]
    return pl.DataFrame(rows, schema=empty(estimates.Reconciliation).schema, orient="row")


def verdict(counts: Counts, heard: Heard, small: float) -> dict[str, object]:
    """One site's row."""
    difference = counts.difference
    row: dict[str, object] = {"site_id": counts.site_id, "checked_in": counts.checked_in, "difference": difference}
    if difference is None:
        missing = "voters checked in" if counts.checked_in is None else "ballots counted"
        return row | {
            "accounted_for": None,
            "standing": "incomplete",
            "likely_cause": None,
            "explanation": f"The count of {missing} has not been reported.",
        }
    accounted = (counts.checked_in or 0) - difference + (counts.left or 0)
    found = causes.ranked(counts, heard, small) if difference else []
    cause = (found[0][0] if found else "unexplained") if difference else None
    agrees = accounted == counts.checked_in and not others(counts)
    return row | {
        "accounted_for": accounted,
        "standing": "agrees" if agrees else "differs",
        "likely_cause": cause,
        "explanation": explanation(counts, cause, [name for name, _ in found[1:]]),
    }


def explanation(counts: Counts, cause: str | None, less_likely: list[str]) -> str:
    """The numbers and the likeliest cause, in a sentence or three."""
    added = counts.emergency_counted or 0
    total = (counts.ballots_counted or 0) + added
    sums = f"{counts.checked_in} checked in, {total} ballots ({counts.ballots_counted} read + {added} added by hand)"
    if cause is None:
        parts = [f"{sums}: these agree."]
    else:
        difference = counts.difference or 0
        word = "fewer" if difference > 0 else "more"
        parts = [f"{sums}: {abs(difference)} {word} than voters; {LIKELY[cause]}."]
        if counts.emergency_counted is None:
            parts.append("No emergency count was reported; it is taken as nought.")
        if less_likely:
            parts.append(f"Less likely: {', '.join(less_likely)}.")
    return " ".join(parts + others(counts))


def others(counts: Counts) -> list[str]:
    """The identities beside the main one that do not hold."""
    found = []
    if counts.tape_total is not None and counts.tape_total != counts.ballots_counted:
        found.append(f"The results report says {counts.tape_total}, the count {counts.ballots_counted}.")
    if counts.backup_count is not None and counts.backup_count != counts.ballots_counted:
        found.append(f"The backup medium holds {counts.backup_count}, the count is {counts.ballots_counted}.")
    if counts.issued_more:
        net = (counts.ballots_issued or 0) - (counts.spoiled or 0)
        found.append(f"{net} ballots were issued and not spoiled, for {counts.checked_in} voters checked in.")
    stock = (counts.ballots_received, counts.ballots_issued, counts.unused)
    if None not in stock and counts.ballots_received != (counts.ballots_issued or 0) + (counts.unused or 0):
        found.append(
            f"{counts.ballots_received} blank ballots were received; {counts.ballots_issued} issued and "
            f"{counts.unused} unused do not add up to that."
        )
    return found
