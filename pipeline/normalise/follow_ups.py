"""Calls that tell how an earlier one went on: "the ballots came", "still locked", "never mind".

They seldom name the trouble, and come hours later, so that neither their words nor the time tell what they are about:
what is still open at the place does, above all where both share words that few other tickets hold.
"""

import math
import re
from collections import Counter
from collections.abc import Iterable
from datetime import timedelta
from functools import lru_cache
from typing import Any

from pipeline.normalise.examples import UNHEARD
from pipeline.normalise.forms import stem
from pipeline.normalise.wording import SMALL

HOURS = timedelta(hours=8)  # an open ticket is what a call with news is about for this long: our choice
NEVER = ("procedure", "other")  # a question asked again is another question


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
    common = one & other
    return sum(rare.get(word, 0.0) for word in sorted(common)) if common else 0.0


def was_open(other: dict[str, Any], row: dict[str, Any]) -> bool:
    """Whether an earlier ticket was still open when another was opened."""
    return other["resolved_at"] is None or bool(other["resolved_at"] > row["opened_at"])
