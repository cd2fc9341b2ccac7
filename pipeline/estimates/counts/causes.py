"""Why a site's counts differ: each cause scored by the numbers and by what the day's tickets said.

The scores are weights of evidence on one scale (our choice, docs/methods/closing.md), not probabilities.
"""

import re
from dataclasses import dataclass, field

import polars as pl

from pipeline.contracts.known import Known

SAID = {  # words of a caller that point to a cause; our choice, checked on simulated days
    "emergency": r"emergency|auxiliary|aux(?:iliary)? (?:bin|slot|box)",
    "rescanned": r"re-?scan|scanned (?:twice|again)|ran (?:them|it|the stack) (?:twice|again)|fed (?:twice|again)",
    "left": r"left without|left (?:the )?line|walked (?:out|off|away)|gave up|fled",
    "provisional": r"provisional",
    "poll-book": r"(?:not |un|never )sync|out of sync|paper (?:list|book|roster)|checked? in on paper|offline",
}
CATEGORIES = {  # categories of tickets that make a cause possible
    "emergency": ("scanner-down", "power", "bin-full"),
    "rescanned": ("scanner-jam", "bin-full"),
    "left": ("long-line",),
    "provisional": ("procedure",),
    "poll-book": ("poll-book",),
}
ENOUGH = 1.0  # a cause with less evidence than this is not named [-]


@dataclass(frozen=True)
class Heard:
    """What a site's tickets said: how many speak of each cause, and how many make it possible."""

    said: dict[str, int] = field(default_factory=dict)
    possible: dict[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Counts:
    """One site's counts; a null stays a null."""

    site_id: str
    checked_in: int | None
    ballots_counted: int | None
    emergency_counted: int | None
    left: int | None
    ballots_issued: int | None
    spoiled: int | None
    provisional: int | None
    tape_total: int | None
    backup_count: int | None
    ballots_received: int | None
    unused: int | None

    @property
    def difference(self) -> int | None:
        """Checked in less counted less emergency; an emergency count that is missing is nought."""
        if self.checked_in is None or self.ballots_counted is None:
            return None
        return self.checked_in - self.ballots_counted - (self.emergency_counted or 0)

    @property
    def issued_more(self) -> int | None:
        """Ballots issued and not spoiled, less voters checked in."""
        if self.ballots_issued is None or self.checked_in is None:
            return None
        return self.ballots_issued - (self.spoiled or 0) - self.checked_in


def heard_at(known: Known, readings: pl.DataFrame) -> dict[str, Heard]:
    """What each site's tickets said, by site_id."""
    texts = known.tickets.select("ticket_id", text=pl.col("text").fill_null("").str.to_lowercase())
    read = readings.filter(pl.col("site_id").is_not_null()).join(texts, on="ticket_id", how="inner")
    found: dict[str, Heard] = {}
    for (site_id,), rows in read.group_by("site_id"):
        categories = set(rows["categories"].explode().drop_nulls()) | set(rows["category"])
        found[str(site_id)] = Heard(
            {cause: sum(bool(re.search(words, text)) for text in rows["text"]) for cause, words in SAID.items()},
            {cause: len(categories & set(kinds)) for cause, kinds in CATEGORIES.items()},
        )
    return found


def ranked(counts: Counts, heard: Heard, small: float) -> list[tuple[str, float]]:
    """Causes with their evidence, the likeliest first; only those that can explain the sign of the difference."""
    difference = counts.difference or 0
    scores = fewer(counts, heard, small) if difference > 0 else more(counts, small)
    for cause in scores:
        scores[cause] += min(heard.said.get(cause, 0), 2) + 0.25 * min(heard.possible.get(cause, 0), 2)
    return sorted(
        ((cause, score) for cause, score in scores.items() if score >= ENOUGH), key=lambda item: (-item[1], item[0])
    )


def fewer(counts: Counts, heard: Heard, small: float) -> dict[str, float]:
    """Evidence where fewer ballots than voters are accounted for."""
    missing = counts.difference or 0
    not_added = not counts.emergency_counted
    # A handful is a person or two who walked off; a compartment that was in use holds more.
    return {
        "left": (1.5 if missing <= small else 0.25) + (2.0 if counts.left == missing else 0.0),
        "emergency": (1.0 if not_added and missing > small else 0.25 if not_added else -1.0)
        + (0.5 if not_added and heard.possible.get("emergency") else 0.0),
    }


def more(counts: Counts, small: float) -> dict[str, float]:
    """Evidence where more ballots than voters are accounted for."""
    over, issued = -(counts.difference or 0), counts.issued_more
    # Ballots went out to voters that the poll book does not show; else the sheets were counted more often than issued.
    behind = 0.25 if issued is None else 3.0 if issued > 0 and issued >= over / 2 else -1.0
    few = over <= small
    can_be = counts.provisional is None or counts.provisional >= over
    return {
        "poll-book": behind,
        "rescanned": 0.75 if few else 1.5,
        "provisional": (1.5 if few and can_be else 0.25 if can_be else -1.0),
    }
