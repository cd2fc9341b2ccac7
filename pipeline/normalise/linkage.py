"""How likely it is that a call is of an earlier ticket of its site, by all that the two have in common.

Record linkage (Fellegi and Sunter, JASA 64, 1969, from memory): each thing compared adds the logarithm of how much
oftener it is found between calls of one trouble than between calls of two, to the logarithm of the odds that a call is
of a given earlier ticket before anything is compared. The weights are our choice: docs/methods/reading.md.
"""

import math
from collections.abc import Sequence
from typing import Any

from pipeline.normalise import follow_ups

HOURS = follow_ups.HOURS
BEFORE = -2.2  # before anything is compared
SAME_KIND, ALSO_KIND, NAMES_NONE, OTHER_KIND = 2.2, 1.0, 1.0, -2.4  # what either is read as
TELLS_NEWS, TELLS_END, TELLS_NONE = 1.5, 1.0, -1.2  # "still", "any word"; "it came"; neither
SAME_UNIT, UNIT_ADDED, OTHER_UNIT = 1.5, -1.0, -6.0  # the unit that either names
STILL_OPEN, CLOSED = 0.6, -3.0  # whether the earlier one was open
CLOSE_TOLD = 45.0  # minutes by which an end told in words of no or another kind may lag before a close costs as much
SAME_CALLER, OTHER_CALLER = 1.0, -0.2  # a judge calls about all that happens at a place, and others call too
ASKED = -3.5  # a question asked again is mostly another question
COMES_AGAIN = -3.0  # a line, or a battery of one unit: each time a trouble of its own unless its end is told
WORD, NO_WORDS, MOST_WORDS = 0.25, -0.6, 4.0  # per unit of the rarity of the words in common
# Minutes after which a call is e times less likely to be of a ticket: with news of something, and without [min]
NEWS_FADES, FADES = 240.0, 60.0
LIKELY = 0.5  # from which a call is linked [probability]


def odds(rare: dict[str, float], row: dict[str, Any], other: dict[str, Any]) -> float:
    """Natural logarithm of the odds that a call is of an earlier ticket of its site.

    Parameters
    ----------
    rare : how rare each word is (`follow_ups.rarity`)
    row, other : readings, with `opened_at`, `resolved_at`, `words`, `caller`, `is_news`, `is_end` and `names_none`
    """
    minutes = (row["opened_at"] - other["opened_at"]).total_seconds() / 60
    return (
        BEFORE
        + by_kind(row, other)
        + by_words(follow_ups.shared(rare, row["words"], other["words"]))
        + by_news(row, other)
        + by_unit(row, other)
        + by_caller(row, other)
        - minutes / (NEWS_FADES if row["is_news"] or row["again"] else FADES)
    )


def chances(rare: dict[str, float], row: dict[str, Any], earlier: Sequence[dict[str, Any]]) -> list[float]:
    """The probability that a call is of each earlier ticket of its site; they and "of none" share it.

    Tickets that are linked to each other take nothing from one another: a call of one is of all.
    """
    weights = [math.exp(odds(rare, row, other)) for other in earlier]
    most: dict[str, float] = {}
    for other, weight in zip(earlier, weights, strict=True):
        most[other["head"]] = max(most.get(other["head"], 0.0), weight)
    total = 1.0 + sum(most.values())
    return [w / (total - most[other["head"]] + w) for other, w in zip(earlier, weights, strict=True)]


def by_kind(row: dict[str, Any], other: dict[str, Any]) -> float:
    """Weight of what both are read as; a call that names no trouble is of any."""
    of_its_own = other["category"] == "long-line" or (other["category"] == "power" and row["unit_id"])
    more = (ASKED if other["category"] in follow_ups.NEVER else 0.0) + (
        COMES_AGAIN if of_its_own and not row["is_end"] else 0.0
    )
    if row["category"] == other["category"]:
        return SAME_KIND + more
    if row["names_none"]:
        return NAMES_NONE + more
    if row["category"] in other["categories"] or other["category"] in row["categories"]:
        return ALSO_KIND + more
    return OTHER_KIND * row["category_confidence"] * other["category_confidence"] + more


def by_words(rarity: float) -> float:
    """Weight of the words in common, by how rare they are together."""
    return min(MOST_WORDS, NO_WORDS + WORD * rarity)


def by_news(row: dict[str, Any], other: dict[str, Any]) -> float:
    """Weight of words that tell how something went on, and of what was open then."""
    told = (TELLS_NEWS if row["is_news"] or row["again"] else TELLS_NONE) + (TELLS_END if row["is_end"] else 0.0)
    if follow_ups.was_open(other, row):
        return told + STILL_OPEN
    if not row["is_end"]:
        return told + CLOSED
    if row["category"] == other["category"]:
        return told
    since = (row["opened_at"] - other["resolved_at"]).total_seconds() / 60
    return told + CLOSED * min(1.0, since / CLOSE_TOLD)


def by_unit(row: dict[str, Any], other: dict[str, Any]) -> float:
    """Weight of the unit that either names."""
    if row["unit_id"] is None:
        return 0.0
    if other["unit_id"] is None:
        return 0.0 if row["is_end"] else UNIT_ADDED
    return SAME_UNIT if row["unit_id"] == other["unit_id"] else OTHER_UNIT


def by_caller(row: dict[str, Any], other: dict[str, Any]) -> float:
    """Weight of who called; nothing where either is not known."""
    if row["caller"] is None or other["caller"] is None:
        return 0.0
    return SAME_CALLER if row["caller"] == other["caller"] else OTHER_CALLER
