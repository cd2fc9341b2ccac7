"""What one clause of a text says: the weight of each category by its phrases, rules and words."""

from collections import defaultdict

import numpy as np

from pipeline.contracts.words import TICKET_CATEGORIES
from pipeline.normalise import wording
from pipeline.normalise.word_lists import words_of
from pipeline.normalise.wording import Match, Vocabulary

CARRIED = 0.8  # share of a rule's weight where the thing was named in an earlier clause or only as the unit
LEAN = 0.6  # weight of one leaning word, before its own 1 or 2
MOST_LEANING = 4.0  # leaning words never outweigh a phrase of the trade
PUT_RIGHT = 0.6  # share of a word of danger that was only guessed at: our choice
SHARE, MOST = 1.2, 8.0  # weight of a natural log of odds, and the most that counts
REPEATED = 0.3  # share of the weight of further signs for the same category
NEGATORS = frozenset(
    wording.stem(w) for w in words_of("no not isnt nothing never none without hasnt doesnt aint nobody")
)
FINE = frozenset(wording.stem(w) for w in words_of("fine ok okay good normal great working works alright"))
DENYING = NEGATORS | FINE  # without one of these nothing is denied
PROBLEM = frozenset(wording.stem(w) for w in words_of("problem issue trouble concern complaint"))


def read_clause(
    book: Vocabulary, words: list[tuple[str, str]], found: list[Match], carried: frozenset[str]
) -> tuple[dict[str, float], dict[str, str], frozenset[str]]:
    """A clause's weight for each category, the words that gave it, and the things that it names."""
    things = {m.phrase.kind[6:]: m for m in found if m.phrase.kind.startswith("thing:")}
    signs = {m.phrase.kind[5:]: m for m in found if m.phrase.kind.startswith("sign:")}
    weights: dict[str, list[tuple[float, str]]] = defaultdict(list)
    for m in found:
        if m.phrase.kind.startswith("cue:"):
            share = PUT_RIGHT if m.phrase.kind == "cue:safety" and is_put_right(words, m) else 1.0
            weights[m.phrase.kind[4:]].append((share * (m.phrase.weight + 0.4 * (len(m.places) - 1)), said(words, m)))
    for category, thing, sign, weight in book.rules:
        if sign in signs and (thing in things or (not things and thing in carried)):
            both = signs[sign].places | (things[thing].places if thing in things else frozenset())
            share = 1.0 if thing in things else CARRIED
            weights[category].append((weight * share, " ".join(words[i][1] for i in sorted(both))))
    scores, why = {}, {}
    leaning = hints([said for _, said in words], found)
    for category in sorted(weights.keys() | leaning.keys()):
        hits = sorted(weights.get(category, []), reverse=True)
        lean = min(MOST_LEANING, sum(leaning.get(category, {}).values()))
        scores[category] = lean
        why[category] = " ".join(leaning.get(category, {}))
        if hits and hits[0][0] > lean:
            scores[category] = hits[0][0] + REPEATED * min(6.0, sum(w for w, _ in hits[1:3]) + lean)
            why[category] = hits[0][1]
    return scores, why, frozenset(things) or carried


def hints(said_at: list[str], found: list[Match]) -> dict[str, dict[str, float]]:
    """The words of a clause that lean to a category, each counted once."""
    leaning: dict[str, dict[str, float]] = defaultdict(dict)
    for m in found:
        if m.phrase.kind.startswith("hint:"):
            leaning[m.phrase.kind[5:]][said_at[m.start]] = LEAN * m.phrase.weight
    return leaning


def leaning(book: Vocabulary, heard: list[str]) -> dict[str, float]:
    """What the words of a text lean to, taken one by one, where they lean to anything at all."""
    rows = [book.leaning[word] for word in sorted(set(heard)) if word in book.leaning]
    if not rows:
        return {}
    sums = zip(TICKET_CATEGORIES, np.add.reduce(rows).tolist(), strict=True)
    return {c: SHARE * min(v, MOST) for c, v in sums if v > 0.5}


def is_put_right(words: list[tuple[str, str]], match: Match) -> bool:
    """Whether a word of a match was a slip put right: "sooke" may be smoke, but is likelier spoke."""
    return any(words[i][0] not in (wording.NUMBER, wording.stem(words[i][1])) for i in match.places)


def said(words: list[tuple[str, str]], match: Match) -> str:
    """The caller's own words of a match."""
    return " ".join(words[i][1] for i in sorted(match.places))


def matches_that_hold(book: Vocabulary, words: list[tuple[str, str]]) -> tuple[list[Match], set[int]]:
    """The phrases of a clause that are not denied, and the places of its words that are about the call."""
    found = wording.matches(book, words)
    noise = {i for m in found if m.phrase.kind == "noise" for i in m.places}
    found = [m for m in found if m.phrase.kind != "noise" and not m.places <= noise]
    if DENYING.isdisjoint(stem for stem, _ in words):
        return found, noise
    return [m for m in found if not denied(words, m)], noise


def denied(words: list[tuple[str, str]], match: Match) -> bool:
    """Whether a phrase is denied: "not a power problem", "nothing stuck", "line is fine"."""
    before = [words[i][0] for i in range(max(0, match.start - 2), match.start) if i not in match.places]
    if NEGATORS & set(before) and (not match.phrase.kind.startswith("thing") or "not" in before or "isnt" in before):
        return True
    after = [words[i][0] for i in range(match.end, min(len(words), match.end + 2))]
    if NEGATORS & set(before) and PROBLEM & set(after):
        return True
    if not after or len(match.places) > 2 or NEGATORS & {words[i][0] for i in match.places}:
        return False
    for i, word in enumerate(after):
        rest = words[match.end + i + 1][0] if match.end + i + 1 < len(words) else ""
        if word in FINE:
            return rest not in ("to", "only", "but", "until")
        if word in NEGATORS or word in ("only", "barely", "halfway", "with"):
            return False
    return False
