"""How much a call's words are like those of calls about an earlier one: "any word yet", "as I said", "still".

Naive Bayes (Maron 1961, from memory) over words and neighbouring pairs, numbers alike and small words kept, for it is
they that tell: no word decides alone.
"""

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping

SMOOTH = 2.0  # tickets of the usual mixture that every word is taken to have occurred in besides: our choice
LEAST, MOST = -1.5, 2.5  # bounds of what one word says [natural log of odds]: our choice
WORD = re.compile(r"[a-z]+|\?|\d+")


def terms(text: str) -> set[str]:
    """The words of a text and their pairs, and those that it begins with."""
    words = ["<n>" if w.isdigit() else w for w in WORD.findall(text.lower().replace("'", "").replace("\u2019", ""))]
    pairs = {f"{a} {b}" for a, b in zip(words, words[1:], strict=False)}
    return {*words, *pairs, *(f"^{' '.join(words[:n])}" for n in (1, 2))} if words else set()


def learn(tickets: Iterable[tuple[str, bool]]) -> dict[str, float]:
    """What each word says for a call about an earlier one [log odds], from texts and whether they are such."""
    counts: dict[bool, Counter[str]] = {True: Counter(), False: Counter()}
    size: Counter[bool] = Counter()
    for text, is_again in tickets:
        counts[is_again].update(terms(text))
        size[is_again] += 1
    if not size[True] or not size[False]:
        return {}
    usual = {kind: n / size.total() for kind, n in size.items()}
    odds = {}
    for term in sorted(counts[True] | counts[False]):
        yes, no = ((counts[kind][term] + SMOOTH * usual[kind]) / usual[kind] for kind in (True, False))
        odds[term] = max(LEAST, min(MOST, math.log(yes / no)))
    return odds


def odds(learnt: Mapping[str, float], text: str) -> float:
    """The log odds that a call is about an earlier one, by its words alone and up to a constant."""
    return math.fsum(learnt.get(term, 0.0) for term in terms(text))
