"""Calls that tell how an earlier one went on: "the ballots came", "still locked", "never mind".

They seldom name the trouble, and come hours later, so that neither their words nor the time tell what they are about:
what is still open at the place does, above all where both share words that few other tickets hold.
"""

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import timedelta
from typing import Any

from pipeline.normalise.examples import UNHEARD
from pipeline.normalise.forms import stem
from pipeline.normalise.wording import SMALL

NEWS = re.compile(
    r"\b(?:again|still|(?<!call )(?<!call me )back|came|come|arrived?|arr|got here|is here|delivered|found|located"
    r"|fixed|cleared|clr|freed|restored|resolved|solved|sorted|gone|swapped|replaced|moved|emptied|sent|went|works|working|alive"
    r"|closed|(?:please|may be|can|to) close|final|outcome|over|update|re|earlier|previous\w*|correction|answer to"
    r"|same (?:\w+ )?(?:as|one|man|guy|woman|trouble|problem|thing|issue)|follow\w*[ -]?(?:up|on)|now (?:ok|fine|good)"
    r"|(?:2nd|second|3rd|third) (?:call|report|time)|call(?:ed|ing) (?:back|again|about|earlier)|i called|so about"
    r"|relief|me again|this morning|last time|status now|no longer|no need|(?:dont|don't|do not) (?:send|bother|need)"
    r"|cancel|never ?mind|forget (?:it|the|about)|all (?:set|clear|good|fine|here)|by reboot|did it|logging|rescanned"
    r"|(?:were|we're|we are|its|it's) (?:good|fine|ok|okay|up|on|open|in)|just letting|thanks?|thank you)\b",
    re.I,
)
HOURS = timedelta(hours=8)  # an open ticket is what a call with news is about for this long: our choice
NEVER = ("procedure", "other")  # a question asked again is another question
SAME_WORDS = 12.0  # rarity of common words from which one is about the other, whatever it is read as: our choice
OPEN_THERE, BY_WORDS, MOST_BY_WORDS = 0.8, 0.25, 3.0  # weight that an open ticket adds to its category: our choice


def is_news(text: str) -> bool:
    """Whether a text reads as if it told how something went on."""
    return NEWS.search(text) is not None


def words_of_note(text: str) -> frozenset[str]:
    """The words of a text that may tell what it is about, without their endings."""
    found = re.findall(r"[a-z]{3,}|\d{2,}", text.lower())
    return frozenset(stem(w) for w in found if w not in SMALL and w not in UNHEARD)


def rarity(texts: Iterable[str]) -> dict[str, float]:
    """How rare each word of note is among the tickets: log(tickets / tickets with it)."""
    sets = [words_of_note(text) for text in texts]
    return {word: math.log(len(sets) / n) for word, n in Counter(w for words in sets for w in words).items()}


def shared(rare: dict[str, float], one: frozenset[str], other: frozenset[str]) -> float:
    """How much two tickets share: the sum of the rarity of their common words."""
    return sum(rare.get(word, 0.0) for word in sorted(one & other))


def was_open(other: dict[str, Any], row: dict[str, Any]) -> bool:
    """Whether an earlier ticket was still open, and not long past, when another was opened."""
    ended = other["resolved_at"]
    return (ended is None or ended > row["opened_at"]) and row["opened_at"] - other["opened_at"] <= HOURS


def tells_on(rare: dict[str, float], row: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether a ticket brings news of an earlier one: of one still open, or of one whose rare words it says again.

    A ticket that names a unit tells of that unit only.
    """
    if not row["is_news"] or other["category"] in NEVER or row["unit_id"] not in (None, other["unit_id"]):
        return False
    if row["category"] == other["category"] and was_open(other, row):
        return True
    is_near = row["opened_at"] - other["opened_at"] <= HOURS
    return is_near and shared(rare, row["words"], other["words"]) >= SAME_WORDS


def context(rare: dict[str, float], row: dict[str, Any], earlier: Sequence[dict[str, Any]]) -> dict[str, float]:
    """The weight that the tickets still open at a place add to the categories of one that brings news.

    Parameters
    ----------
    row : the ticket, with `opened_at`, `words` and `is_news`
    earlier : the readings of the place's earlier tickets
    """
    added: dict[str, float] = {}
    for other in earlier if row["is_news"] else ():
        common = shared(rare, row["words"], other["words"]) if other["category"] not in NEVER else 0.0
        if common >= SAME_WORDS or (other["category"] not in NEVER and was_open(other, row)):
            weight = OPEN_THERE + min(MOST_BY_WORDS, BY_WORDS * common)
            added[other["category"]] = max(added.get(other["category"], 0.0), weight)
    return added
