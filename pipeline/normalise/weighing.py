"""What speaks for each category of a ticket, brought together: phrases, likeness to examples, the place, the unit."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from pipeline.contracts.words import TICKET_CATEGORIES
from pipeline.normalise import questions, units

MOST_SURE = 0.985  # no reading of free text is surer: our choice [probability]
BRIEF = 12  # words up to which a text is as sure as its weights: our choice
ENOUGH = 2.0  # weight from which a category counts as found: our choice
STRONG = 4.0  # weight from which a trouble of equipment or place outranks a line or a question beside it
NAMED = 5.0  # weight from which a text names a trouble, rather than leans to one: our choice
ACCESS = 1.0  # weight by which the headset or keypad of a marking device leads the device itself: our choice
ASKED = 4  # weight of a question how something is done or allowed, whatever it is about: our choice
ALIKE = 0.8  # weight of one natural log of odds by the example sentences, beside phrases: our choice
UNTOLD = 0.35  # chance of `other` where nothing speaks for anything: our choice
AT_END, MOST_AT_END = 0.3, 2.0  # share of the weight of the words of a ticket's end, and the most that counts
SECOND_RATE = {"procedure": 0.62, "long-line": 0.62, "other": 0.75}
OWN = {"bmd": "bmd", "pollbook": "poll-book"}
NOT_OF = {  # neither keeps a ballot box, counts, or prints a zero report: common practice, no source
    "bmd": ("scanner-jam", "scanner-down", "tape-printer", "bin-full"),
    "pollbook": ("scanner-jam", "scanner-down", "tape-printer", "bin-full", "bmd"),
}
# What each weight is worth in natural log of odds, and what more in a text e times longer than a brief one; fitted
# on voices left out: docs/methods/reading.md; measured by tests/benchmarks/voices.py.
PHRASE, PHRASE_LONGER = 0.45, -0.22
LIKENESS = 0.40
BESIDE = 1.77  # what is known of the place and of the ticket's end
ASKS, BEGINS_ASKING = 1.09, 1.76  # a question in the text, and at its beginning: for `procedure`
OF_ITS_KIND, OF_ANOTHER, POWER_OF_ONE = 2.69, -1.88, -1.73  # a known unit: its kind's categories, others', `power`
LESS_SURE = 0.17  # a text e times longer says everything less surely
STRANGER = 1.0  # and so do all texts of people who put words together as no example does
# Of the pairs of neighbouring words of all tickets, the share that no example has where the weights hold as they are,
# and how many pairs of such the tickets are taken to have besides: the share of few tickets says little. Our choice.
USUAL_STRANGE, STRANGE_PAIRS = 0.58, 300.0


@dataclass(frozen=True)
class Reading:
    """What one text says: weights by phrase, log odds by likeness to examples, and the words that gave either."""

    scores: tuple[tuple[str, float], ...]
    words: tuple[tuple[str, str], ...]
    ranks: tuple[tuple[str, int], ...]
    things: frozenset[str]
    alike: tuple[tuple[str, float], ...]
    alike_words: tuple[tuple[str, str], ...]
    length: int = 0  # words that count
    asks: tuple[bool, bool] = (False, False)  # whether it asks anything, and whether it begins with that
    pairs: tuple[int, int] = (0, 0)  # pairs of neighbouring words, and those that no example has
    notes: frozenset[str] = frozenset()  # the words that may tell what it is about (`follow_ups.words_of_note`)


def adjusted(reading: Reading, kind: str | None) -> dict[str, float]:
    """A reading's weights with what the unit adds, and what comes second taken down."""
    scores = dict(reading.scores)
    rank = dict(reading.ranks)
    strong = [rank.get(c, 9) for c, v in scores.items() if c not in SECOND_RATE and v >= STRONG]
    for category, share in SECOND_RATE.items():
        # What is said first is the trouble, whatever else follows; said after it, it is only what came of it.
        if category in scores and strong and rank.get(category, 9) >= min(strong):
            scores[category] *= share
    for category in NOT_OF.get(kind or "", ()):
        if category in scores:  # what a unit of this type cannot have is the trouble of its own kind
            own = OWN[kind or ""]
            scores[own] = max(scores.get(own, 0.0), 0.9 * scores.pop(category))
    if kind:
        for category, of in units.CATEGORY_TYPE.items():
            if category in scores and of == kind:
                scores[category] += 0.8
    if scores.get("accessible-device", 0.0) >= STRONG and "bmd" in scores:
        scores["accessible-device"] += ACCESS  # what makes a marking device accessible is named for its own sake
    return scores


def weigh(
    reading: Reading,
    kind: str | None,
    context: Mapping[str, float],
    outcome: Reading | None = None,
    strange: float = 0.0,
) -> tuple[str, list[str], dict[str, float], str]:
    """The primary category, every category found, the chance of each category, and the words that decided.

    Parameters
    ----------
    kind : the thing that the unit is (`scanner`, `bmd`, `pollbook`), where the unit is known
    context : weight that the place's state adds to a category (an outage there to `power`)
    outcome : what the words of the ticket's end say, once it has one
    strange : how strange the manner of all tickets is (`strangeness`)
    """
    by_phrase, alike = adjusted(reading, kind), dict(reading.alike)
    beside = dict(context)
    for category, value in told_at_end(outcome):
        beside[category] = beside.get(category, 0.0) + value
    only = units.only_kind(reading.things)
    if only:  # what a scanner showed, or had at its end, speaks for no call that names poll books alone
        beside = {c: value for c, value in beside.items() if units.CATEGORY_TYPE.get(c, only) == only}
    sums = {c: by_phrase.get(c, 0.0) + ALIKE * alike.get(c, 0.0) + beside.get(c, 0.0) for c in TICKET_CATEGORIES}
    if max(sums.values()) < 1.0:
        return "other", ["other"], {"other": UNTOLD}, "no word of a known trouble"
    odds = log_odds(reading, kind, by_phrase, alike, beside, strange)
    order = sorted(odds, key=lambda c: (-odds[c], c))
    found = [c for c in order if by_phrase.get(c, 0.0) >= ENOUGH and sums[c] >= max(ENOUGH, 0.45 * sums[order[0]])]
    found = [order[0], *(c for c in found if c != order[0])]
    return order[0], found, chances(odds), "; ".join(said_for(reading, c) for c in found[:2])


def log_odds(
    reading: Reading,
    kind: str | None,
    by_phrase: Mapping[str, float],
    alike: Mapping[str, float],
    beside: Mapping[str, float],
    strange: float = 0.0,
) -> dict[str, float]:
    """What speaks for each category, in natural log of odds up to a constant: weights times what they are worth.

    A multinomial logit (McFadden 1974, from memory), fitted on tickets of voices left out: docs/methods/reading.md.
    """
    longer = math.log(max(BRIEF, reading.length) / BRIEF)
    phrase = PHRASE + PHRASE_LONGER * longer
    odds = {
        c: phrase * max(0.0, by_phrase.get(c, 0.0)) + LIKENESS * alike.get(c, 0.0) + BESIDE * beside.get(c, 0.0)
        for c in TICKET_CATEGORIES
    }
    odds["procedure"] += ASKS * reading.asks[0] + BEGINS_ASKING * reading.asks[1]
    if kind in units.TYPES and kind != "printer":
        for category, of in units.CATEGORY_TYPE.items():
            odds[category] += OF_ITS_KIND if of == kind else OF_ANOTHER
        odds["power"] += POWER_OF_ONE
    less = math.exp(-LESS_SURE * longer - STRANGER * strange)
    return {c: less * value for c, value in odds.items()}


def strangeness(readings: Iterable[Reading]) -> float:
    """How strange all tickets are: the share of their pairs of words that no example has, less the usual."""
    pairs = unknown = 0
    for reading in readings:
        pairs += reading.pairs[0]
        unknown += reading.pairs[1]
    return (unknown + STRANGE_PAIRS * USUAL_STRANGE) / (pairs + STRANGE_PAIRS) - USUAL_STRANGE


def chances(odds: Mapping[str, float]) -> dict[str, float]:
    """The chance of each category, from log odds."""
    top = max(odds.values())
    weights = {c: math.exp(value - top) for c, value in odds.items()}
    total = sum(weights.values())
    return {c: w / total for c, w in weights.items()}


def names_none(reading: Reading, text: str) -> bool:
    """Whether a text by itself names no trouble: "any word yet", "what about my message"."""
    own = dict(reading.scores) | {"other": 0.0}
    if questions.before_question(text) is not None:
        own["procedure"] = own.get("procedure", 0.0) - ASKED  # asking by itself names nothing
    return reading.things <= {"line"} and all(v < NAMED for v in own.values())


def told_at_end(outcome: Reading | None) -> list[tuple[str, float]]:
    """The weight of each category by the words of a ticket's end: what was done tells what it was, but less surely."""
    if outcome is None:
        return []
    total = dict(outcome.scores)
    for category, value in outcome.alike:
        total[category] = total.get(category, 0.0) + ALIKE * value
    return [(c, min(MOST_AT_END, AT_END * v)) for c, v in total.items() if v > 0]


def said_for(reading: Reading, category: str) -> str:
    """The caller's words that spoke for a category: a phrase of the trade, or else those most like the examples."""
    phrase, alike = dict(reading.words).get(category, ""), dict(reading.alike_words).get(category, "")
    by_phrase, by_likeness = dict(reading.scores).get(category, 0.0), dict(reading.alike).get(category, 0.0)
    return phrase if phrase and by_phrase >= ALIKE * by_likeness else alike or phrase or "the words together"
