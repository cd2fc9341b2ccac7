"""How much a text's words are like those of sentences that are known to be about each category.

Naive Bayes (Maron 1961, from memory) over the words of `examples.toml` and their neighbours in pairs, each once a text.
A word that few sentences hold says little, and none says more than `MOST` for a category or `LEAST` against it, so that
no single word decides. The phrases of the vocabulary know what the trade says; this knows what people say around it.
"""

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.normalise.word_lists import words_of

SMOOTH = 2.0  # sentences of the usual mixture that every word is taken to have occurred in besides: our choice
LEAST, MOST = -2.0, 4.0  # bounds of what one word says [natural log of odds]: our choice
TELLING = 1.0  # what a word must say for a category to be named among the words that decided [natural log of odds]
LATER = 0.5  # words after the first trouble told of count this much, and so on: callers put the main one first
UNHEARD = frozenset(  # words that tell how a sentence is built, not what it is about
    words_of(
        "to of in on at for with from by we i he she they you me us them and or but if so has have had do did there"
        " here get got been will would could should can may one two"
    )
)

Clause = Sequence[tuple[str, str]]  # the words of a clause: the stem, and the word as said


@dataclass(frozen=True)
class Examples:
    """What each word or pair of neighbours says for the categories that it was seen in, and for all others.

    Both in natural log of odds.
    """

    categories: tuple[str, ...] = ()
    odds: Mapping[str, tuple[Mapping[str, float], float]] = field(default_factory=dict)


def terms(clause: Clause) -> dict[str, str]:
    """The words of a clause that tell what it is about, and their pairs, each with what was said; no numbers."""
    words = [(w, said) for w, said in clause if w not in UNHEARD and not said.isdigit()]
    found = dict(words)
    found |= {f"{a} {b}": f"{x} {y}" for (a, x), (b, y) in zip(words, words[1:], strict=False)}
    return found


def learn(sentences: Mapping[str, Iterable[str]], clauses_of: Callable[[str], Iterable[Clause]]) -> Examples:
    """What the words of example sentences, by category, say."""
    count: dict[str, Counter[str]] = defaultdict(Counter)
    size: Counter[str] = Counter()
    for category, texts in sentences.items():
        for text in texts:
            size[category] += 1
            for term in {term for clause in clauses_of(text) for term in terms(clause)}:
                count[term][category] += 1
    total = sum(size.values())
    usual = {c: n / total for c, n in sorted(size.items())}
    odds = {}
    for term, by_category in sorted(count.items()):
        seen = sum(by_category.values()) + SMOOTH
        says = {c: math.log((n + SMOOTH * usual[c]) / seen / usual[c]) for c, n in sorted(by_category.items())}
        others = max(LEAST, math.log(SMOOTH / seen))
        odds[term] = ({c: max(LEAST, min(MOST, value)) for c, value in says.items()}, others)
    return Examples(tuple(usual), odds)


def likeness(
    examples: Examples, clauses: Sequence[Clause], counts: Sequence[float]
) -> tuple[dict[str, float], dict[str, str]]:
    """The log odds of each category by the words of a text, and the three words that say most for it.

    Parameters
    ----------
    counts : how much the words of each clause count
    """
    share: dict[str, tuple[float, str]] = {}
    for clause, part in zip(clauses, counts, strict=True):
        for term, said in terms(clause).items():
            if part > share.get(term, (0.0, ""))[0]:
                share[term] = (part, said)
    sums = dict.fromkeys(examples.categories, 0.0)
    best: dict[str, list[tuple[float, str]]] = defaultdict(list)
    to_all = 0.0
    for term, (part, said) in sorted(share.items()):
        if term not in examples.odds:
            continue
        says, others = examples.odds[term]
        to_all += part * others
        for category, value in says.items():
            sums[category] += part * (value - others)
            if value > TELLING:
                best[category].append((-value, said))
    words = {c: " ".join(w for _, w in sorted(found)[:3]) for c, found in best.items()}
    return {c: value + to_all for c, value in sums.items()}, words
