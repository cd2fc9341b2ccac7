"""Which site a caller means: names, aliases, addresses, rooms, precincts and the unit named, as a probability.

Every reading adds its evidence to the sites that it fits, in units of log odds; a softmax over the sites, with "none
of these" among them, gives the probability. Below `tickets.site_threshold` no site is answered: a person is asked.
"""

import math
import re
from collections import defaultdict
from itertools import pairwise

from rapidfuzz import process
from rapidfuzz.distance import OSA

from pipeline.normalise.gazetteer import LONG, Gazetteer, Place, precinct_key, read_precinct
from pipeline.normalise.kept import remembered
from pipeline.normalise.place_words import (
    DIRECTIONS,
    FILLERS,
    KINDS,
    OPPOSED,
    ORDINAL,
    PREPOSITIONS,
    STREETS,
    place_tokens,
    plain,
)
from pipeline.normalise.shortened import only_fit

# Weights of evidence [log odds], our choice; checked on the sample days: docs/methods/reading.md.
MATCHED, UNMATCHED_SAID, UNMATCHED_NAME = 2.0, 1.3, 0.25
WHOLE_NAME = 2.5  # every word of a name or alias was said, and nothing else
CONFLICT = 6.0  # north for south, Station 3 for Station 13, a library for a school
ADDRESS, PRECINCT, SITE_ID, UNIT_NAMED = 9.0, 9.0, 14.0, 6.0
NAMED_IN_TEXT = 5.0  # a whole name or alias told in the text, where the place as said leaves a doubt
BESIDE, MOST_BESIDE = 1.5, 6.0  # per unit of rarity, for a word of a name or room beside it in the text; and at most
ONLY_FIT = 4.5  # every word said is, or is cut from, a word of this site alone (`shortened.py`)
STREET_SAID = 1.5  # per unit of rarity, for a word of the street or the room
INITIAL = 0.45  # likeness of a single letter to a word that begins with it: our choice
SWAPPED = 4.0  # R. W. for W. R.
STREET_KIND = 2.0  # Stone Lane for Stone Road
NOWHERE = 3.0  # what "none of these" holds before anything is read
KIND_SHARE = 0.6  # a kind of place says less than its rarity: people swap "hall" and "center"

PRECINCT_FORM = re.compile(
    r"\b(?:pct|pcts|prec|precs|precinct|precincts|prct|precint"
    r"|p)\s*(?:no\b)?\W{0,3}(\d{1,4})\s*-?\s*([a-z](?![a-z]))?(-\d+)?",
    re.I,
)
BARE_PRECINCT = re.compile(r"(?<![\w-])(\d{1,4}-[a-z]|\d{1,4}[a-z]|0\d{1,3}(?:-\d)?|\d{1,3}-\d{1,2})(?![\w-])", re.I)

JOINED_PRECINCTS = re.compile(  # "15 & 16", "pcts 34/35", "24, 25 and 26": all of one site
    r"(?:\b(?:pcts?|precs?|precincts?|wards?)\W*)?(?<![\w-])\d{1,4}(?:\s*(?:&|\+|/|,|-|\band\b|,\s*and\b)\s*\d{1,4}){1,4}(?![\w-])"
)
NUMBER = re.compile(r"\d+")


def words_like(book: Gazetteer, token: str) -> list[tuple[str, float]]:
    """Words of the roster that a token can stand for, each with a likeness up to 1."""
    return remembered(book.alike, token, lambda: find_words_like(book, token))


def find_words_like(book: Gazetteer, token: str) -> list[tuple[str, float]]:
    """`words_like`, worked out anew."""
    if token in book.by_word:
        return [(token, 1.0)]
    if token.isdigit():
        return []
    if len(token) == 1:  # "G. Heights"
        return [(w, INITIAL) for w in book.vocabulary if w[0] == token and len(w) > 3 and w not in STREETS]
    if ORDINAL.match(token):  # "14" for 14th Avenue is found below, "14th" for Station 14 never
        return []
    limit = 1 if len(token) <= 5 else 2 if len(token) <= 9 else 3
    found = []
    if len(token) >= 3:
        near = process.extract(token, book.vocabulary, scorer=OSA.distance, score_cutoff=limit, limit=6)
        found = [
            (w, 1.0 if w.rstrip("s") == token.rstrip("s") else 1 - 1.2 * d / max(len(w), len(token)))
            for w, d, _ in near
            if len(w) > 3 or w[0] == token[0]
        ]
    if not found:
        found = [(w, 0.65) for w in book.vocabulary if w in book.single and is_short_for(token, w)]
    best = max((s for _, s in found), default=0.0)
    return [(w, s) for w, s in found if s >= best - 0.2 and s > 0.4]


def is_short_for(token: str, word: str) -> bool:
    """Whether a token shortens a word: its beginning ("Bramble"), or its consonants in order ("mdw")."""
    if len(word) <= len(token) + 1 or token[0] != word[0]:
        return False
    if word.startswith(token):
        return len(token) >= 4
    rest = iter(word)
    return 3 <= len(token) <= 5 and not set(token[1:]) & set("aeiou") and all(c in rest for c in token)


def taken_apart(book: Gazetteer, tokens: tuple[str, ...]) -> tuple[str, ...]:
    """Tokens, with words run together taken apart ("creekrec") and words broken in two put together ("red bnar")."""
    out: list[str] = []
    i = 0
    while i < len(tokens):
        token = tokens[i]
        pair = token + tokens[i + 1] if i + 1 < len(tokens) else ""
        if pair in book.single and not pair.isdigit():
            out.append(pair)
            i += 2
            continue
        if token not in book.by_word and token in book.together:
            out += book.together[token]
        elif len(token) >= LONG and not token.isdigit() and not words_like(book, token):
            out += halves(book, token) or [token]
        elif len(token) <= 4 and token not in book.by_word and len(book.initials.get(token, ())) == 1:
            out += next(iter(book.initials[token]))
        else:
            out.append(token)
        i += 1
    return tuple(out)


def halves(book: Gazetteer, token: str) -> list[str]:
    """Two words of the roster that a token runs together, or nothing."""
    for cut in range(3, len(token) - 1):
        left, right = place_tokens(token[:cut]), place_tokens(token[cut:])
        if len(left) == len(right) == 1 and left[0] in book.single and right[0] in book.single:
            return [left[0], right[0]]
    return []


def site_of(
    book: Gazetteer,
    said: str,
    unit_sites: tuple[str, ...] = (),
    told: frozenset[int] = frozenset(),
    beside: frozenset[str] = frozenset(),
    called: tuple[str, ...] = (),
) -> tuple[str | None, float]:
    """The likeliest site and its probability.

    Parameters
    ----------
    said : the place as the caller said it
    unit_sites : sites that hold a unit that the caller's words fit
    told : sites that the text names (`named_in`), where the place as said left a doubt
    beside : words of names in the text (`words_beside`), where it left one
    called : sites that have a unit called as it is said ("stage"), of which those count that the place fits
    """
    key = (said, unit_sites, told, beside, called)
    return remembered(book.answers, key, lambda: weigh(book, said, unit_sites, told, beside, called))


def weigh(
    book: Gazetteer,
    said: str,
    unit_sites: tuple[str, ...],
    told: frozenset[int],
    beside: frozenset[str],
    called: tuple[str, ...],
) -> tuple[str | None, float]:
    """`site_of`, worked out anew."""
    score: dict[int, float] = defaultdict(float)
    rest = take_site_id(book, plain(said), score)
    rest = take_called(book, take_precincts(book, rest, score), score)
    for i, value in name_scores(book, rest).items():
        score[i] += value
    only = only_fit(book.as_written, rest)
    if only is not None:
        score[only] += ONLY_FIT
    for site_id in unit_sites:
        i = book.ids.get(plain(site_id), -1)
        if i >= 0:
            score[i] += UNIT_NAMED - math.log(len(unit_sites))
    for site_id in called:
        i = book.ids.get(plain(site_id), -1)
        if score.get(i, 0.0) > 0.0:
            score[i] += UNIT_NAMED - math.log(len(called))
    for i in told:
        score[i] += NAMED_IN_TEXT - math.log(len(told))
    for i in score:
        words = {word for name in book.places[i].names for word in name} | book.places[i].room
        score[i] += min(MOST_BESIDE, BESIDE * sum(book.rarity[w] for w in sorted(beside & words)))
    if not score:
        return None, 0.0
    best = max(sorted(score), key=lambda i: score[i])
    top = score[best]
    total = sum(math.exp(v - top) for v in score.values()) + math.exp(NOWHERE - top)
    return book.places[best].site_id, 1 / total


def take_site_id(book: Gazetteer, text: str, score: dict[int, float]) -> str:
    """The text without a bare site_id, whose site is credited; what may be another thing has to be all of it."""
    for word in re.findall(r"[\w-]+", text):
        if word in book.ids and (text.strip() == word or not is_other(book, word, text)):
            score[book.ids[word]] += SITE_ID
            text = text.replace(word, " ", 1)
    return text


def is_other(book: Gazetteer, site_id: str, text: str) -> bool:
    """Whether a site_id in a text may be a word of a name ("WRAY" and Wray Hall) or the number of a house there."""
    if site_id.isalpha():
        return site_id in book.by_word
    streets = {w for i in book.numbers.get(site_id, ()) for w in book.places[i].street - STREETS}
    return any(word in streets for token in place_tokens(text) for word, _ in words_like(book, token))


def take_precincts(book: Gazetteer, text: str, score: dict[int, float]) -> str:
    """The text without precincts, whose sites are credited; several sites share one precinct's evidence."""

    def take(found: re.Match[str], number: str, letter: str | None, part: str | None) -> str:
        key = precinct_key(number, letter, part)
        fits = book.precincts.get(key) or (book.wholes.get(precinct_key(number, None)) if not part else None)
        for i in fits or ():
            score[i] += PRECINCT - math.log(len(fits or (1,)))
        return " " if fits else found.group(0)

    def several(found: re.Match[str]) -> str:
        fits = set.intersection(
            *(book.precincts.get(precinct_key(n, None), set()) for n in NUMBER.findall(found.group()))
        )
        for i in fits:
            score[i] += PRECINCT - math.log(len(fits))
        return " " if fits else found.group(0)

    text = JOINED_PRECINCTS.sub(several, text)
    text = PRECINCT_FORM.sub(lambda m: take(m, m.group(1), m.group(2), m.group(3)), text)

    def bare(found: re.Match[str]) -> str:
        key = read_precinct(found.group(1))
        fits = book.precincts.get(key or "", set()) if key else set()
        for i in fits:
            score[i] += PRECINCT - 2 - math.log(len(fits))
        return " " if fits else found.group(0)

    return BARE_PRECINCT.sub(bare, text)


def take_called(book: Gazetteer, text: str, score: dict[int, float]) -> str:
    """The text without a precinct that is called by words ("Orley 2", "Harlan Township"), whose site is credited.

    The longest that stands whole among the words, unless another site is called so; one word by itself has to be all.
    With it go numbers after it ("Orley 2 & 3").
    """
    tokens = place_tokens(text) if book.called else ()
    spans = [(a, b) for a in range(len(tokens)) for b in range(len(tokens), a, -1) if tokens[a:b] in book.called]
    spans = [(a, b) for a, b in spans if b - a > 1 or len(tokens) == 1]
    if not spans:
        return text
    a, b = max(spans, key=lambda span: (span[1] - span[0], -span[0]))
    fits = book.called[tokens[a:b]]
    if any(tokens[a:b] in place.names for i, place in enumerate(book.places) if i not in fits):
        return text
    for i in fits:
        score[i] += PRECINCT - math.log(len(fits))
    return " ".join((*tokens[:a], *(t for t in tokens[b:] if not t.isdigit())))


def name_scores(book: Gazetteer, text: str) -> dict[int, float]:
    """Evidence of the words left, for each site that one of them fits."""
    tokens = taken_apart(book, place_tokens(text))
    if not tokens:
        return {}
    fits = [words_like(book, t) for t in tokens]
    after = [any(p in PREPOSITIONS for p in tokens[max(0, i - 2) : i]) for i in range(len(tokens))]
    candidates = {i for near in fits for word, _ in near if word not in KINDS for i in book.by_word[word]}
    candidates |= {i for t in tokens for i in book.numbers.get(t, ())}
    if not candidates:
        candidates = {i for near in fits for word, _ in near for i in book.by_word[word]}
    return {i: score_place(book, book.places[i], tokens, fits, after) for i in candidates}


def score_place(
    book: Gazetteer, place: Place, tokens: tuple[str, ...], fits: list[list[tuple[str, float]]], after: list[bool]
) -> float:
    """Evidence of said words for one site: the best of its names, then its street and room for what is left."""
    squeezed = [(word,) for word in sorted(place.squeezed) if any(word == w for near in fits for w, _ in near)]
    sums = [score_name(book, place, name, tokens, fits, after) for name in [*place.names, *squeezed]]
    return max(sums, default=0.0)


def score_name(
    book: Gazetteer,
    place: Place,
    name: tuple[str, ...],
    tokens: tuple[str, ...],
    fits: list[list[tuple[str, float]]],
    after: list[bool],
) -> float:
    """Evidence of said words for one name of a site."""
    left, total, unmatched = list(name), 0.0, 0.0
    numbered = any(b == place.number and a != "fire" for a, b in pairwise(("", *tokens)))  # no house is Station 22
    strong = 0
    # "Court St": the word for a kind of street is its name where another such word follows
    named_so = {a for a, b in pairwise(tokens) if a in STREETS and b in STREETS and a in place.street}
    for token, near, follows in zip(tokens, fits, after, strict=True):
        hit = max(((s, w) for w, s in near if w in left), default=None)
        if hit:
            left.remove(hit[1])
            share = (KIND_SHARE if hit[1] in KINDS else 1.0) * (0.5 if follows and hit[1] not in KINDS else 1.0)
            if hit[1].isdigit() and not KINDS & set(tokens):  # "Ward 3", "room 3" is no Station 3
                share = 0.3
            total += MATCHED * book.rarity[hit[1]] * hit[0] * share
            strong += hit[1] not in KINDS
            continue
        near_by = max(((s, w) for w, s in near if w in place.street or w in place.room), default=None)
        if near_by and (near_by[1] not in STREETS or near_by[1] in named_so):
            total += STREET_SAID * book.rarity[near_by[1]] * near_by[0] * (1.3 if follows or numbered else 0.8)
        elif numbered and token == place.number and (len(token) > 1 or place.street & set(tokens)):
            total += ADDRESS
        elif near_by or token in FILLERS or token in STREETS:
            continue
        elif ORDINAL.sub(r"\1", token) != token and token in place.street:
            total += STREET_SAID
        else:
            unmatched += cost(book, place, token, near)
    if not left and not unmatched and strong:
        total += WHOLE_NAME
    missing = sum(book.rarity[w] * (0.3 if w in KINDS else 1.0) for w in left)
    return total - unmatched - UNMATCHED_NAME * missing - conflicts(place, tokens, numbered)


def cost(book: Gazetteer, place: Place, token: str, near: list[tuple[str, float]]) -> float:
    """What a said word that the site does not have counts against it."""
    if token.isdigit() or not near:
        return UNMATCHED_SAID
    word = max(near, key=lambda x: x[1])[0]
    if word in KINDS:
        return 0.8 if not place.kinds else 2.0
    return UNMATCHED_SAID * min(2.5, book.rarity.get(word, 2.0))


def letters_of(words: tuple[str, ...]) -> list[str]:
    """The initials among the words of a name; "w" has become a direction."""
    return [w[0] for w in words if (len(w) == 1 and w.isalpha()) or w in DIRECTIONS]


def conflicts(place: Place, tokens: tuple[str, ...], numbered: bool) -> float:
    """Words that speak against a site: another direction, another number, old for new."""
    if numbered:
        return 0.0
    said = frozenset(tokens)
    lost = 0.0
    opposed = said & OPPOSED
    if opposed and place.opposed and not opposed & place.opposed and not opposed <= place.street:
        lost += CONFLICT
    numbers = {t for t in said if t.isdigit()}
    if place.numbers and numbers and not numbers & place.numbers and "fire" in said:
        lost += CONFLICT
    letters = letters_of(tokens)
    orders = [letters_of(name) for name in place.names]
    if letters not in orders and any(sorted(letters) == sorted(order) for order in orders if order):
        lost += SWAPPED
    kinds = place.street & STREETS
    if kinds and any(b in STREETS - kinds and a in place.street for a, b in pairwise(tokens)):
        lost += STREET_KIND
    if opposed & DIRECTIONS and not place.opposed and not opposed & place.street:
        lost += 1.5
    return lost
