"""Text into words: small words, slips of the keys; and phrases found among the words."""

import math
import re
import tomllib
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.contracts.words import TICKET_CATEGORIES
from pipeline.normalise import again, asides, county_words, voices
from pipeline.normalise.examples import Examples, learn
from pipeline.normalise.forms import stem, tidy
from pipeline.normalise.slips import SMALL, put_all_right, understood
from pipeline.normalise.voices import Told
from pipeline.normalise.word_lists import COUNT_WORDS

NUMBER = "<n>"
GAP = "~"
HINT_COUNT = 3.0  # a hint counts as this many phrases when words are weighed one by one: our choice
SMOOTH = 2.0  # phrases of no category that every word is taken to occur in: our choice
LOWEST, HIGHEST = -0.5, 2.2  # bounds of what one word can lean, so that none decides alone [natural log of odds]
GAP_WORDS = 3  # a gap in a phrase spans up to three words: our choice
CLAUSE = re.compile(
    r"[.;!?\n|]+|,|/|\s-+\s|:\s|\b(?:and|but|also|plus|because|however|secondly|moreover|furthermore|additionally"
    r"|2 nd thing)\b"
)
TOKEN = re.compile(r"\d+|[a-z]+")


@dataclass(frozen=True)
class Phrase:
    """One phrase of the vocabulary: what it is a sign of, its weight, and its words (each a set of stems)."""

    kind: str
    weight: float
    words: tuple[frozenset[str], ...]
    gaps: tuple[bool, ...]
    text: str


@dataclass(eq=False)
class Vocabulary:
    """The trade's words, ready for reading."""

    phrases: dict[str, list[Phrase]]
    rules: list[tuple[str, str, str, float]]
    spelled: dict[str, tuple[str, ...]]
    stems: frozenset[str]
    leaning: dict[str, NDArray[np.float64]]  # of each stem to each category, in the order of the categories
    common: frozenset[str]
    trade: frozenset[str]
    raw: list[str]
    news: re.Pattern[str]  # how a text tells that something went on
    ends: re.Pattern[str]  # how it tells that something ended, in words that a new trouble seldom has
    again: Mapping[str, float]  # what each word says for a call about an earlier one
    examples: Examples = field(default_factory=Examples)
    known: dict[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True)
class Match:
    """A phrase found: its places among the clause's words."""

    phrase: Phrase
    start: int
    end: int
    places: frozenset[int]


def parse_phrase(text: str, kind: str, weight: float, classes: Mapping[str, list[str]]) -> Phrase | None:
    """One line of the vocabulary as a phrase; None where nothing but small words is left."""
    words: list[frozenset[str]] = []
    gaps: list[bool] = []
    gap = False
    for element in text.split():
        if element == GAP:
            gap = True
            continue
        options = [
            o for part in element.split("|") for o in (classes.get(part[1:], [part[1:]]) if part[0] == "@" else [part])
        ]
        chosen = frozenset(o if o == NUMBER else stem(said_alike(o)) for o in options if o not in SMALL)
        if chosen:
            words.append(chosen)
            gaps.append(gap)
            gap = False
    return Phrase(kind, weight, tuple(words), tuple(gaps), text) if words else None


@lru_cache(maxsize=20_000)
def said_alike(word: str) -> str:
    """A word of the vocabulary with its contraction in the form that texts are brought to ("didnt" is "doesnt")."""
    alike = tidy(word).strip()
    return alike if alike.isalpha() else word


def phrases_of(table: Mapping[str, Any], classes: Mapping[str, list[str]]) -> Iterable[Phrase]:
    """Every phrase of a vocabulary table."""

    def lines(text: str) -> list[str]:
        return [line.strip() for line in text.splitlines() if line.strip()]

    found: list[Phrase | None] = []
    for section in ("things", "signs"):
        for name, text in table[section].items():
            found += [parse_phrase(line, f"{section[:-1]}:{name}", 0.0, classes) for line in lines(text)]
    for category, groups in table["cues"].items():
        for weight, text in groups.items():
            found += [parse_phrase(line, f"cue:{category}", float(weight), classes) for line in lines(text)]
    for category, groups in table["hints"].items():
        for weight, text in groups.items():
            found += [parse_phrase(word, f"hint:{category}", float(weight), classes) for word in text.split()]
    found += [parse_phrase(line, "noise", 0.0, classes) for line in lines(table["noise"]["phrases"])]
    return [p for p in found if p]


def any_of(text: str) -> re.Pattern[str]:
    """What finds any of some words or regular expressions, one a line, as whole words, in a text of lower case."""
    forms = "|".join(filter(None, map(str.strip, text.splitlines())))
    lower = re.sub(r"\\.|[A-Z]", lambda m: m.group() if m.group()[0] == "\\" else m.group().lower(), forms)
    return re.compile(rf"\b(?:{lower})\b")  # without re.I: what begins otherwise is passed over at once


def build_vocabulary(table: Mapping[str, Any], said: Sequence[Told] = ()) -> Vocabulary:
    """A vocabulary from its TOML table, and from whole tickets."""
    classes = {name: text.split() for name, text in table["classes"].items()}
    phrases = list(phrases_of(table, classes))
    index: dict[str, list[Phrase]] = defaultdict(list)
    for phrase in phrases:
        for first in sorted(phrase.words[0]):
            index[first].append(phrase)
    rules = []
    for category, text in table["rules"].items():
        for line in filter(None, map(str.strip, text.splitlines())):
            pair, weight = line.split("=")
            thing, sign = pair.split("+")
            rules.append((category, thing.strip(), sign.strip(), float(weight)))
    common = {w for w in files("pipeline.normalise").joinpath("ordinary.txt").read_text("utf-8").split() if len(w) > 4}
    trade = set(re.findall(r"[a-z]+", str([table[k] for k in ("things", "signs", "cues", "hints", "noise")])))
    trade |= {w for words in classes.values() for w in words}
    ordinary = set(table["ordinary"]["words"].split()) - trade
    stems = {s for p in phrases for options in p.words for s in options} | {stem(w) for w in ordinary | trade}
    book = Vocabulary(
        phrases=dict(index),
        rules=rules,
        spelled={k: tuple(stem(w) for w in v.split()) for k, v in table["spelled"].items()},
        stems=frozenset(stems | set(SMALL)),
        leaning=leanings(phrases),
        common=frozenset(common),
        trade=frozenset(trade),
        raw=sorted(w for w in trade | ordinary if len(w) > 3),
        news=any_of("\n".join(table["news"].values())),
        ends=any_of(table["news"]["ends"]),
        again=again.learn((told.text, told.is_again) for told in said if told.is_again is not None),
    )
    sentences = {c: [line for line in text.splitlines() if line.strip()] for c, text in table["examples"].items()}
    for told in said:
        if told.category:
            sentences.setdefault(told.category, []).append(told.text)
    parts = {text: [part for _, part in parts_of(tidy(text))] for texts in sentences.values() for text in texts}
    put_all_right(book, {token for told in parts.values() for part in told for token in TOKEN.findall(part)})
    book.examples = learn(sentences, lambda text: [words for part in parts[text] if (words := words_in(book, part))])
    return book


def leanings(phrases: Iterable[Phrase]) -> dict[str, NDArray[np.float64]]:
    """How much each stem speaks for each category, from the phrases that it occurs in [natural log of odds], bounded.

    A word's share among the phrases of one category over its share among all of them, smoothed: naive Bayes (Maron,
    1961, from memory) with the vocabulary itself as its only text.
    """
    count: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    size: dict[str, float] = defaultdict(float)
    for phrase in phrases:
        kind, _, category = phrase.kind.partition(":")
        if kind not in ("cue", "hint"):
            continue
        weight = (1.0 if kind == "cue" else HINT_COUNT) * min(phrase.weight, 6.0) / 6.0
        for options in phrase.words:
            share = weight / math.sqrt(len(options))
            for option in options:
                count[option][category] += share
            size[category] += share
    total = sum(size.values())
    out = {}
    for word, by_category in sorted(count.items()):
        seen = sum(by_category.values())
        usual = [(by_category.get(c, 0.0), size.get(c, 0.0)) for c in TICKET_CATEGORIES]
        odds = [math.log((n + SMOOTH * k / total) / (seen + SMOOTH) * total / k) if k else 0.0 for n, k in usual]
        out[word] = np.clip(odds, LOWEST, HIGHEST)
    return out


@lru_cache(maxsize=4)
def vocabulary(own: str = "", without: str = "") -> Vocabulary:
    """The trade's words as shipped (`vocabulary.toml`, `examples.toml`, `voices.csv`), and a county's own over them.

    Parameters
    ----------
    own : the text of the county's vocabulary.toml
    without : a voice whose tickets are left out, to see how well it is read unheard; "set*": all that begin so
    """
    left_out = re.compile(re.escape(without).replace(r"\*", ".*"))
    said = [told for told in voices.voices() if not left_out.fullmatch(told.voice)]
    return build_vocabulary(county_words.added(shipped(), county_words.table(own, "vocabulary.toml")), said)


@lru_cache(maxsize=1)
def shipped() -> dict[str, Any]:
    """The shipped words, as TOML tables."""
    here = files("pipeline.normalise")
    texts = [here.joinpath(name).read_text("utf-8") for name in ("vocabulary.toml", "examples.toml")]
    return tomllib.loads("\n".join(texts))


def clauses_of(book: Vocabulary, text: str) -> list[list[tuple[str, str]]]:
    """The clauses of a text, each a list of (stem, digits or the word itself)."""
    found = (words_in(book, part) for _, part in parts_of(tidy(text)))
    return [words for words in found if words]


def clauses_with_shares(book: Vocabulary, text: str) -> list[tuple[list[tuple[str, str]], float]]:
    """The clauses of a text, and how much each counts: less where it is told in passing."""
    parts = parts_of(tidy(text))
    told = asides.shares(parts) if len(parts) > 1 else [1.0] * len(parts)
    out = []
    for (_, part), share in zip(parts, told, strict=True):
        words = words_in(book, part)
        if words:
            out.append((words, share))
    return out


def parts_of(text: str) -> list[tuple[str, str]]:
    """The clauses of a tidied text, each after what divides it from the one before."""
    out, before, start = [], "", 0
    for found in CLAUSE.finditer(text):
        out.append((before, text[start : found.start()]))
        before, start = found.group(0), found.end()
    return [*out, (before, text[start:])]


def words_in(book: Vocabulary, part: str) -> list[tuple[str, str]]:
    """The words of a clause that count: (stem, digits or the word itself)."""
    words: list[tuple[str, str]] = []
    for token in TOKEN.findall(part):
        if token.isdigit():
            words.append((NUMBER, token))
        elif token not in SMALL:
            words += [(s, token) for s in understood(book, token) if s not in SMALL]
    return words


def fits(options: frozenset[str], word: tuple[str, str]) -> bool:
    """Whether one word of a text is one of a phrase's words."""
    return (
        word[0] in options
        or (word[0] == NUMBER and word[1] in options)
        or (NUMBER in options and word[1] in COUNT_WORDS)
    )


def match_at(phrase: Phrase, words: list[tuple[str, str]], at: int) -> frozenset[int] | None:
    """The places of a phrase that begins at one word, gaps as short as they can be; None where it does not fit."""
    places = [at]
    here = at + 1
    size = len(words)
    for k in range(1, len(phrase.words)):
        options = phrase.words[k]
        end = min(size, here + (GAP_WORDS if phrase.gaps[k] else 0) + 1)
        while here < end and not fits(options, words[here]):
            here += 1
        if here >= end:
            return None
        places.append(here)
        here += 1
    return frozenset(places)


def matches(book: Vocabulary, words: list[tuple[str, str]]) -> list[Match]:
    """Every phrase in a clause; one that a longer one of another kind covers wholly is left out."""
    found: list[Match] = []
    heard = {w for pair in words for w in pair} | ({NUMBER} if any(w in COUNT_WORDS for _, w in words) else set())
    for at, (first, said) in enumerate(words):
        starts = book.phrases.get(first, [])
        if first == NUMBER:
            starts = starts + book.phrases.get(said, [])
        elif said in COUNT_WORDS:
            starts = starts + book.phrases.get(NUMBER, [])
        for phrase in starts:
            if len(phrase.words) == 1:
                found.append(Match(phrase, at, at + 1, frozenset((at,))))
            elif not (phrase.words[1].isdisjoint(heard) or phrase.words[-1].isdisjoint(heard)):
                places = match_at(phrase, words, at)
                if places:
                    found.append(Match(phrase, at, max(places) + 1, places))
    long = [m for m in found if len(m.places) > 1 and not m.phrase.kind.startswith("thing")]
    return [m for m in found if not any(covers(o, m) for o in long)] if long else found


def covers(long: Match, short: Match) -> bool:
    """Whether a longer phrase of another kind takes a shorter one's words: "pad is upside down" is not down."""
    return (
        long.places > short.places
        and long.phrase.kind != short.phrase.kind
        and not short.phrase.kind.startswith("thing")
    )
