"""How much a call's words are like those of calls about an earlier one: "any word yet", "as I said", "still".

Naive Bayes (Maron 1961, from memory) over words and neighbouring pairs, numbers alike and small words kept, for it is
they that tell: no word decides alone.
"""

import math
import re
from collections.abc import Iterable, Mapping

import numpy as np

from pipeline.normalise import examples

LEAST, MOST = -1.5, 2.5  # bounds of what one word says [natural log of odds]: our choice
# By how much the odds of first calls fall with each word or pair beyond so many: medians of days and two sets, of 20
# terms -2 to -5, of 45 -5 to -10, of 80 -14 to -16 (docs/methods/reading.md).
BY_LENGTH, SHORT = 0.15, 20
WORD = re.compile(r"[a-z]+|\?|\d+")


def terms(text: str) -> set[str]:
    """The words of a text and their pairs, and those that it begins with."""
    words = ["<n>" if w.isdigit() else w for w in WORD.findall(text.lower().replace("'", "").replace("\u2019", ""))]
    pairs = {f"{a} {b}" for a, b in zip(words, words[1:], strict=False)}
    return {*words, *pairs, *(f"^{' '.join(words[:n])}" for n in (1, 2))} if words else set()


def learn(tickets: Iterable[tuple[str, bool]]) -> dict[str, float]:
    """What each word says for a call about an earlier one [log odds], from texts and whether they are such."""
    texts = [(int(is_again), terms(text)) for text, is_again in tickets]
    if len({kind for kind, _ in texts}) < 2:
        return {}
    rows, _, says = examples.said_by(texts, 2)
    return dict(zip(rows, np.clip(says[:, 1] - says[:, 0], LEAST, MOST).tolist(), strict=True))


def odds(learnt: Mapping[str, float], text: str) -> float:
    """The log odds that a call is about an earlier one, by its words alone and up to a constant.

    Most words are rarer in calls about an earlier one, for these are fewer: in a long text that alone would tell.
    """
    said = terms(text)
    return math.fsum(learnt.get(term, 0.0) for term in said) + BY_LENGTH * max(0, len(said) - SHORT)
