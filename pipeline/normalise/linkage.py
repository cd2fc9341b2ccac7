"""How likely it is that a call is of an earlier ticket of its site, by all that the two have in common.

Record linkage (Fellegi and Sunter, JASA 64, 1969, from memory): each thing compared adds the logarithm of how much
oftener it is found between calls of one trouble than between calls of two, to the logarithm of the odds that a call is
of a given earlier ticket before anything is compared. The weights are fitted together, as a conditional logit
(McFadden 1974, from memory) over the earlier troubles of the site and "of none": docs/methods/reading.md.
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any

from pipeline.normalise import follow_ups, times_told

HOURS = follow_ups.HOURS
# What each thing compared is worth (docs/methods/reading.md), as `tests/benchmarks/linkage.py` fits it.
WEIGHTS = {
    "before": -0.33,  # before anything is compared
    # Per natural log of how much likelier both are about one thing than by chance; what is likelier counts for less
    # than what is unlikelier counts against.
    "alike": 0.64,
    "unlike": 0.97,
    "words": 0.21,  # per unit of the rarity of the words in common
    "still_open": 2.6,  # the earlier one was open, or the call tells the end of one of its kind
    "same_unit": 0.43,
    "unit_added": -1.34,  # only the call names one
    "asked": -1.14,  # a question, or `other`: asked again it is mostly another question
    "first_hour": -2.49,  # for each hour between the two, but no more than one
    "lasts": 1.92,  # the same, where both are surely about one thing and the earlier one still was open
    "another": -4.0,  # the call tells that it is about something else
    "later": -1.29,  # for each doubling of the hours between the two beyond one, unless an end is told
    "time_told": 3.0,  # the call names the time of the earlier one: "as we said at six"
    "points_back": 2.0,  # a sentence of the call begins with what is known: "that book", "where are those forms"
    "at_end": 1.5,  # the call was opened while the earlier one was being closed
    "tells_on": 0.27,  # per natural log of odds that its words are those of a call about an earlier one (`again.py`)
}
FLOOR, USUAL = 0.003, 1 / 19  # the least chance of one thing, and that by chance alone: our choice
# The most that its words tell for or against a call about an earlier one [natural log of odds]: our choice
MOST_TOLD = 6.0
MOST_RARITY = 16.0  # the most of words in common that counts: our choice
ONE_THING = 0.6  # chance that both are about one thing from which they surely are: our choice
TOLD = 3.0  # such odds from which a call tells that it is one: our choice
TOLD_OF_LINE = 5.0  # and from which one about the line does, for a line grows again: our choice
JAM_LASTS = timedelta(hours=2)  # what is open longer may have been cleared by hand, and left open: our choice
UNLIKE = -1.0  # natural log of how likely both are about one thing, below which they surely are not: our choice
HALF = 0.5  # of the chances: what is read of less leaves the trouble open
MAY_BE = 0.1  # chance of a category from which an earlier ticket may be about it too: our choice
OWN_SURE, OWN_WORDS = 0.8, 3.0  # a reading so sure stays, unless words so rare are shared: our choice
# From which a call is linked [probability]: just below a half more are right than said (docs/methods/reading.md).
LIKELY = 0.45


def odds(rare: dict[str, float], row: dict[str, Any], other: dict[str, Any]) -> float:
    """Natural logarithm of the odds that a call is of an earlier ticket of its site.

    Parameters
    ----------
    rare : how rare each word is (`follow_ups.rarity`)
    row, other : readings, with `opened_at`, `resolved_at`, `words`, `chances`, `again_odds` and `names_none`
    """
    found = compared(rare, row, other)
    return -math.inf if found is None else math.fsum(WEIGHTS[name] * value for name, value in found.items())


def compared(rare: dict[str, float], row: dict[str, Any], other: dict[str, Any]) -> dict[str, float] | None:
    """What a call and an earlier ticket have in common, by the names of `WEIGHTS`; null where they are never linked."""
    if comes_anew(row, other):
        return None
    shared = follow_ups.shared(rare, row["words"], other["words"])
    if not may_be_of(row, other) and keeps_own(row, other, rare) and not names_it_again(row, other):
        return None
    is_same = bool(row["unit_id"] and row["unit_id"] == other["unit_id"])  # a unit only guessed may be the same one
    names_unit = row["unit_said"] is not None and not is_same
    if names_unit and other["unit_said"]:
        return None  # two units named are two troubles
    lift = by_kind(row["chances"], other["chances"])
    is_open = 1.0 if tells_its_end(row, other) else follow_ups.was_open(other, row)
    is_question = other["category"] in follow_ups.NEVER and not is_unread(other)
    hours = (row["opened_at"] - other["opened_at"]).total_seconds() / 3600
    first_hour = min(1.0, hours)
    return {
        "before": 1.0,
        "alike": max(0.0, lift),
        "unlike": 0.0 if row["names_none"] else min(0.0, lift),
        "words": min(MOST_RARITY, shared),
        "still_open": is_open,
        "same_unit": float(is_same),
        "unit_added": float(names_unit),
        "asked": float(is_question),
        "first_hour": first_hour,
        "lasts": first_hour * is_open * (not is_question and lift > math.log(ONE_THING / USUAL)),
        "time_told": float(names_its_time(row, other)),
        "points_back": float(row["points_back"]),
        "at_end": float(lift > UNLIKE and follow_ups.is_at_end(other, row)),
        "tells_on": max(-MOST_TOLD, min(MOST_TOLD, row["again_odds"])),
        "another": float(row["is_another"]),
        "later": 0.0 if row["is_end"] else math.log2(max(1.0, hours)),
    }


def names_its_time(row: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether a call names the time of an earlier ticket, and not as that of another trouble."""
    return not row["is_another"] and times_told.is_told(row["times"], other["opened_at"])


def is_unread(row: dict[str, Any]) -> bool:
    """Whether the words of a ticket left open what it is about."""
    return math.fsum(row["chances"].values()) < HALF


def may_be_of(row: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether an earlier ticket may be about what a call is about, as both are read."""
    category = row["category"]
    return category in other["categories"] or other["chances"].get(category, 0.0) >= MAY_BE or is_unread(other)


def keeps_own(row: dict[str, Any], other: dict[str, Any], rare: dict[str, float]) -> bool:
    """Whether a call's own words are sure of what it is about, and shared with no other ticket.

    What is to be done is another matter than what is wrong, in whatever words.
    """
    is_sure = row["category_confidence"] >= OWN_SURE and not row["names_none"]
    if not is_sure or row["category"] == "procedure":
        return bool(is_sure)
    return follow_ups.shared(rare, row["words"], other["words"]) < OWN_WORDS


def names_it_again(row: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether a call says that it calls again, and names the unit of an earlier ticket."""
    return bool(row["again"] and row["unit_said"] and row["unit_said"] == other["unit_said"])


def tells_its_end(row: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether a call tells an end of what an earlier ticket is about: ends are told also of what was closed by then."""
    return bool(row["is_end"] and not row["is_another"] and row["category"] == other["category"])


def comes_anew(row: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether a call is never held to be of an earlier ticket, for what that told of comes again by itself.

    A line grows again, a battery runs low again, a jam that was cleared comes again, another question is asked. What
    is written down as still open has not ended, so that it cannot come anew.
    """
    is_open = row["are_closed"] and follow_ups.was_open(other, row) == 1.0
    tells_on = row["is_news"] or row["again"] or row["again_odds"] > TOLD or names_its_time(row, other)
    if other["category"] in follow_ups.NEVER and not is_unread(other):  # "sent", "back", "came" stand in questions too
        return not (row["is_end"] or row["again"] or row["again_odds"] > TOLD)
    if other["category"] == "scanner-jam" and row["unit_id"] and row["unit_id"] == other["unit_id"]:
        return not (tells_on or (is_open and row["opened_at"] - other["opened_at"] <= JAM_LASTS))
    if row["category"] == other["category"] == "bin-full" and not is_open:  # "emptied" tells of the time before, too
        return bool(row["are_closed"]) and not (row["again"] or row["again_odds"] > TOLD)
    if other["category"] == "long-line":
        return not (row["is_end"] or row["again_odds"] > TOLD_OF_LINE)
    is_of_unit = row["unit_said"] or (row["unit_id"] and not is_open)  # a unit only guessed says little
    tells_of_it = row["is_end"] or names_its_time(row, other)
    return other["category"] == "power" and bool(is_of_unit) and not tells_of_it


def chances(rare: dict[str, float], row: dict[str, Any], earlier: Sequence[dict[str, Any]]) -> list[float]:
    """The probability that a call is of the trouble of each earlier ticket of its site; they and "of none" share it.

    Tickets that are linked to each other are of one trouble, and have its probability together.
    """
    weights = [math.exp(odds(rare, row, other)) for other in earlier]
    of_head: dict[str, float] = defaultdict(float)
    for other, weight in zip(earlier, weights, strict=True):
        of_head[other["head"]] += weight
    total = 1.0 + sum(of_head.values())
    return [of_head[other["head"]] / total for other in earlier]


def by_kind(one: Mapping[str, float], other: Mapping[str, float]) -> float:
    """How much likelier it is that both are about one thing than by chance [natural log]."""
    both = math.fsum(chance * other.get(category, 0.0) for category, chance in one.items())
    both += USUAL * (1.0 - min(math.fsum(one.values()), math.fsum(other.values())))  # what is left may be anything
    return math.log((FLOOR + min(1.0, both)) / (FLOOR + USUAL))
