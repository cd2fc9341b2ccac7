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

HOURS = timedelta(hours=8)  # an open ticket is what a call with news is about for this long: our choice
NEVER = ("procedure", "other")  # a question asked again is another question
SAME_WORDS = 12.0  # rarity of common words from which one is about the other, whatever it is read as: our choice
OPEN_THERE, ENDED_THERE, BY_WORDS, MOST_BY_WORDS = 0.8, 2.4, 0.25, 3.0  # weights an earlier ticket adds: our choice


@lru_cache(maxsize=50_000)
def words_of_note(text: str) -> frozenset[str]:
    """The words of a text that may tell what it is about, without their endings."""
    found = re.findall(r"[a-z]{3,}|\d{2,}", re.sub(r"\[(?:phone|name|email)\]", " ", text.lower()))
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
