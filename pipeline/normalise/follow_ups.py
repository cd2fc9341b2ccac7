"""Calls that tell how an earlier one went on: "the ballots came", "still locked", "never mind".

They seldom name the trouble, and come hours later, so that neither their words nor the time tell what they are about:
what is still open at the place does, above all where both share words that few other tickets hold.
"""

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import timedelta
from functools import lru_cache
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
ENDS = re.compile(  # words that hardly anybody says of a new trouble
    r"\b(?:alive|arrived|arr|delivered|got here|found (?:it|the)|located|emptied|outcome|correction|previous\w*|freed"
    r"|forget (?:it|the|about)|cancel|never ?mind|no need|no longer (?:required|needed)|rescanned|solved|restored"
    r"|(?:dont|don't|do not) (?:send|bother|need)|all (?:set|clear)|everything'?s? (?:is )?(?:back|on|fine)|closed"
    r"|swapped|follow\w*[ -]?(?:up|on)|i called|so about|me again|third time|fixed by|thank you|answer to"
    r"|back to normal|(?:were|we're|we are|its|it's) (?:good|okay)|(?:may be|please|can) close|works? now(?! but)"
    r"|(?:police|deput(?:y|ies)|firemen|fire department|medics?|ambulance|officers?)"
    r" (?:came|took|said|cleared|detained|has|have)|(?:power|lights?|current) (?:is |are )?(?:back|restored)"
    r"|same (?:man|guy|woman|fellow|trouble|problem|thing|issue))\b",
    re.I,
)
HOURS = timedelta(hours=8)  # an open ticket is what a call with news is about for this long: our choice
NEVER = ("procedure", "other")  # a question asked again is another question
SAME_WORDS = 12.0  # rarity of common words from which one is about the other, whatever it is read as: our choice
OPEN_THERE, ENDED_THERE, BY_WORDS, MOST_BY_WORDS = 0.8, 2.4, 0.25, 3.0  # weights an earlier ticket adds: our choice


def is_news(text: str) -> bool:
    """Whether a text reads as if it told how something went on."""
    return NEWS.search(text) is not None or is_end(text)


def is_end(text: str) -> bool:
    """Whether a text tells how something ended, in words that a new trouble seldom has."""
    return ENDS.search(text) is not None


@lru_cache(maxsize=50_000)
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
    """Whether an earlier ticket was still open when another was opened."""
    return other["resolved_at"] is None or bool(other["resolved_at"] > row["opened_at"])


def is_of(rare: dict[str, float], row: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether a ticket with news may be of an earlier one: of one still open, or whose rare words it says again."""
    if not row["is_news"] or other["category"] in NEVER or row["opened_at"] - other["opened_at"] > HOURS:
        return False
    return row["is_end"] or was_open(other, row) or shared(rare, row["words"], other["words"]) >= SAME_WORDS


def tells_on(rare: dict[str, float], row: dict[str, Any], other: dict[str, Any]) -> bool:
    """Whether a ticket brings news of an earlier one.

    One that names a unit tells of that unit only, unless it tells an end and the earlier one named none.
    """
    units = (None, other["unit_id"]) if other["unit_id"] or not row["is_end"] else (None, row["unit_id"])
    if row["unit_id"] not in units or not is_of(rare, row, other):
        return False
    if not row["is_end"] and (row["category"] == "long-line" or (row["category"] == "power" and row["unit_id"])):
        return False  # lines come and go, and a battery that gives out is a trouble of its own
    is_same_kind = row["category"] == other["category"]
    return is_same_kind or shared(rare, row["words"], other["words"]) >= SAME_WORDS


def context(rare: dict[str, float], row: dict[str, Any], earlier: Sequence[dict[str, Any]]) -> dict[str, float]:
    """The weight that the earlier tickets of a place add to the categories of one that brings news.

    Parameters
    ----------
    row : the ticket, with `opened_at`, `words`, `is_news` and `is_end`
    earlier : the readings of the place's earlier tickets
    """
    added: dict[str, float] = {}
    base = ENDED_THERE if row["is_end"] else OPEN_THERE
    for other in earlier:
        if is_of(rare, row, other):
            weight = base + min(MOST_BY_WORDS, BY_WORDS * shared(rare, row["words"], other["words"]))
            added[other["category"]] = max(added.get(other["category"], 0.0), weight)
    return added
