"""How much a text's words are like those of sentences that are known to be about each category.

Naive Bayes (Maron 1961, from memory) over the words of `examples.toml` and their neighbours in pairs, each once a text.
A word that few sentences hold says little, and none says more than `MOST` for a category or `LEAST` against it, so that
no single word decides. The phrases of the vocabulary know what the trade says; this knows what people say around it.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

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

Floats = NDArray[np.float64]
Clause = Sequence[tuple[str, str]]  # the words of a clause: the stem, and the word as said


@dataclass(frozen=True)
class Examples:
    """What each word or pair of neighbours says for each category, and those that it speaks for plainly.

    In natural log of odds: a row of `odds` by word, a column by category.
    """

    categories: tuple[str, ...] = ()
    rows: Mapping[str, int] = field(default_factory=dict)
    odds: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    plainly: Mapping[str, tuple[tuple[str, float], ...]] = field(default_factory=dict)


def terms(clause: Clause) -> dict[str, str]:
    """The words of a clause that tell what it is about, and their pairs, each with what was said; no numbers."""
    words = [(w, said) for w, said in clause if w not in UNHEARD and not said.isdigit()]
    found = dict(words)
    found |= {f"{a} {b}": f"{x} {y}" for (a, x), (b, y) in zip(words, words[1:], strict=False)}
    return found


def said_by(texts: Sequence[tuple[int, Iterable[str]]], kinds: int) -> tuple[dict[str, int], Floats, Floats]:
    """The rows of all words, in how many texts of each kind each stands, and what that says for each kind, unbounded.

    Parameters
    ----------
    texts : the kind of each, and its words, each once

    Returns
    -------
    word -> row; count [texts] and natural log of odds, a row by word and a column by kind
    """
    found = [(term, kind) for kind, words in texts for term in words]
    rows = {term: row for row, term in enumerate(sorted({term for term, _ in found}))}
    count = np.zeros((len(rows), kinds))
    np.add.at(count, ([rows[term] for term, _ in found], [kind for _, kind in found]), 1.0)
    usual = np.bincount([kind for kind, _ in texts], minlength=kinds) / max(1, len(texts))
    seen = count.sum(axis=1, keepdims=True) + SMOOTH
    with np.errstate(divide="ignore", invalid="ignore"):
        says = np.log((count + SMOOTH * usual) / seen / usual)
    return rows, count, np.where(count > 0, says, np.log(SMOOTH / seen))


def learn(sentences: Mapping[str, Iterable[str]], clauses_of: Callable[[str], Iterable[Clause]]) -> Examples:
    """What the words of example sentences, by category, say."""
    categories = sorted(sentences)
    texts = [
        (i, {term for clause in clauses_of(text) for term in terms(clause)})
        for i, category in enumerate(categories)
        for text in sentences[category]
    ]
    rows, count, says = said_by(texts, len(categories))
    odds = np.clip(says, LEAST, MOST)
    names = list(rows)
    plainly: dict[str, list[tuple[str, float]]] = defaultdict(list)
    for row, i in np.argwhere((count > 0) & (odds > TELLING)).tolist():
        plainly[names[row]].append((categories[i], float(odds[row, i])))
    return Examples(tuple(categories), rows, odds, {term: tuple(told) for term, told in plainly.items()})


def likeness(
    examples: Examples, clauses: Sequence[Clause], counts: Sequence[float]
) -> tuple[dict[str, float], dict[str, str], tuple[int, int]]:
    """The log odds of each category by the words of a text, and the three words that say most for it.

    Also how many pairs of neighbours the text has, and how many of them no example has.

    Parameters
    ----------
    counts : how much the words of each clause count
    """
    share: dict[str, tuple[float, str]] = {}
    for clause, part in zip(clauses, counts, strict=True):
        for term, said in terms(clause).items():
            if part > share.get(term, (0.0, ""))[0]:
                share[term] = (part, said)
    known = sorted(term for term in share if term in examples.rows)
    pairs = sum(" " in term for term in share)
    told = (pairs, pairs - sum(" " in term for term in known))
    if not known:
        return dict.fromkeys(examples.categories, 0.0), {}, told
    sums = np.array([share[t][0] for t in known]) @ examples.odds[[examples.rows[t] for t in known]]
    best: dict[str, list[tuple[float, str]]] = defaultdict(list)
    for term in known:
        for category, value in examples.plainly.get(term, ()):
            best[category].append((-value, share[term][1]))
    words = {c: " ".join(w for _, w in sorted(found)[:3]) for c, found in best.items()}
    return dict(zip(examples.categories, sums.tolist(), strict=True)), words, told
