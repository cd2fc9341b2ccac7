"""End-of-day counts of a site against each other: what differs, and the likeliest cause. Ballot counts, never votes.

Method and limits: docs/methods/closing.md.
"""

from dataclasses import fields

import polars as pl

from pipeline.contracts import estimates
from pipeline.contracts.known import Known, empty
from pipeline.estimates.counts import causes
from pipeline.estimates.counts.causes import Counts, Heard
from pipeline.estimates.counts.identities import by_the_log, misplaced, others
from pipeline.estimates.counts.witness import Witness, evidence, witnesses

LIKELY = {
    "emergency": "ballots of the emergency compartment have probably not been added",
    "rescanned": "a stack was probably scanned twice, as after a jam",
    "left": "voters probably left without casting their ballots",
    "provisional": "provisional ballots were probably counted as regular ones",
    "poll-book": "a poll book is probably behind: more ballots were issued than voters checked in",
    "unexplained": "nothing that was reported explains it",
}
FURTHER: dict[str, pl.DataType] = {
    "causes": pl.List(pl.String),
    "evidence": pl.List(pl.String),
    "look_first": pl.String(),
    "scanners_read": pl.Int64(),
    "books_checked_in": pl.Int64(),
}
LOOK_FIRST = {
    "emergency": "Open the emergency compartment with two people, count what is in it and compare with the log.",
    "rescanned": "Compare the results report with the ballots in the box, batch by batch since the jam.",
    "left": "Ask the workers who left and look for ballots that were issued and not cast.",
    "provisional": "Count the provisional envelopes against their list.",
    "poll-book": "Have every poll book synchronise, then read the number checked in again.",
    "unexplained": "Count the ballots in the box by hand, two people, before anything is sealed further.",
}


def reconciliation(known: Known, readings: pl.DataFrame) -> pl.DataFrame:
    """Every site that has reported counts, by the identities of the contract's section 2."""
    heard, logged = causes.heard_at(known, readings), witnesses(known, readings)
    small = known.settings["reconciliation.small_difference"]
    names = [f.name for f in fields(Counts)]
    rows = [
        verdict(Counts(**row), heard.get(row["site_id"], Heard()), logged.get(row["site_id"], Witness()), small)
        for row in known.reconciliation.select(names).sort("site_id").iter_rows(named=True)
    ]
    return pl.DataFrame(rows, schema=dict(empty(estimates.Reconciliation).schema) | FURTHER, orient="row")


def verdict(counts: Counts, heard: Heard, witness: Witness, small: float) -> dict[str, object]:
    """One site's row."""
    difference = counts.difference
    row: dict[str, object] = {"site_id": counts.site_id, "checked_in": counts.checked_in, "difference": difference}
    row |= {"scanners_read": witness.scanners_read, "books_checked_in": witness.books_checked_in}
    if difference is None:
        missing = "voters checked in" if counts.checked_in is None else "ballots counted"
        return row | {
            "accounted_for": None,
            "standing": "incomplete",
            "likely_cause": None,
            "explanation": f"The count of {missing} has not been reported.",
            "causes": [],
            "evidence": [],
            "look_first": f"Ask the site for the count of {missing}.",
        }
    accounted = (counts.checked_in or 0) - difference + (counts.left or 0)
    moved = misplaced(counts)
    found = causes.ranked(counts, heard, small) if difference and not moved else []
    cause = (found[0][0] if found else "unexplained") if difference else None
    odd = others(counts)
    agrees = accounted == counts.checked_in and not odd
    told = [f"{name}: {part}" for name, _ in found for part in evidence(name, witness)]
    logged = by_the_log(counts, witness) if difference or odd else []
    return row | {
        "accounted_for": accounted,
        "standing": "agrees" if agrees else "differs",
        "likely_cause": cause,
        "explanation": explanation(counts, cause, [name for name, _ in found[1:]], [*odd, *([moved] if moved else [])]),
        "causes": [name for name, _ in found],
        "evidence": told + logged,
        "look_first": look_first(cause, odd, moved, agrees),
    }


def look_first(cause: str | None, odd: list[str], moved: str | None, agrees: bool) -> str | None:
    """What to look at first; null where all agrees."""
    if agrees:
        return None
    if moved:
        return f"Check the form: {moved}"
    if cause is not None:
        return LOOK_FIRST[cause]
    return "Read the numbers from the reports again: " + odd[0] if odd else "Read the number of voters who left again."


def explanation(counts: Counts, cause: str | None, less_likely: list[str], odd: list[str]) -> str:
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
    return " ".join(parts + odd)
