"""What a word of somebody else's closed list means in ours: as the list names it, else by the sense of its words.

The words are in `meanings.toml`, which a county may extend.
"""

import re
import tomllib
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

from rapidfuzz import fuzz

WORDS = Path(__file__).with_name("meanings.toml")
SAME_WORD = 0.84  # rapidfuzz ratio from which two words, written without blanks, count as one: our choice
SHORTEST = 5  # letters; shorter words are not compared letter by letter, `open` and `pen` would pass
INSIDE = 0.7  # likeness of a phrase that holds a listed word: our choice
BY_SENSE = 0.85  # likeness of a phrase whose words all have a sense that counts; falls with those that have none
CLEAR = 0.85  # likeness from which a word is read by itself, without a person who has looked: our choice
KEPT = 4096  # words whose meaning is kept in memory, as a watcher runs all day [count]
LONGEST_PHRASE = 4  # words of one entry of `[senses]` [count]
LONGEST_WORD = 9  # words of theirs; a longer one is a sentence and no word of a list [count]
# Where words written together part: a capital after small letters, `of` between figures.
JOINT = re.compile(r"(?<=[A-Za-z][a-z])(?=[A-Z])|(?<=\d)(?=of\d)|(?<=\dof)(?=\d)")
NOT = "not"  # the sense that turns all others round
UNSURE = "?"  # marks a phrase that denies a word of which nothing is known
COVERED = 0.7  # part of a phrase's senses, and one, that the best line must ask for: our choice
INITIALS = 0.8  # likeness of the first letters of a listed phrase, where only one meaning has such: our choice
SHORT_FORM = range(3, 6)  # letters of a short form that no list has; of two, too many words have both
UNKNOWN = 0.85  # factor for each word of a phrase of which nothing is known: our choice


@dataclass(frozen=True)
class Match:
    """A word of ours that one of theirs stands for, with how alike the two are [0 to 1]."""

    ours: str
    likeness: float


@cache
def meaning_words() -> dict[str, Any]:
    """The data file."""
    return tomllib.loads(WORDS.read_text("utf-8"))


def plain_word(text: str) -> str:
    """A word of a closed list without case, marks and doubled blanks; `RunningLow` and `2of2` are several words."""
    return " ".join(re.findall(r"[^\W_]+", JOINT.sub(" ", text).casefold()))


@cache
def meanings(column: str, choices: tuple[str, ...]) -> dict[str, str]:
    """Plain words → ours, for one closed list."""
    listed = meaning_words()["words"].get(column, {})
    others = {plain_word(theirs): ours for ours in choices for theirs in listed.get(ours, ())}
    return others | {plain_word(ours): ours for ours in choices}


@lru_cache(maxsize=KEPT)
def meaning(word: str, column: str, choices: tuple[str, ...]) -> Match | None:
    """The word of ours that one of theirs stands for, None where nothing is alike."""
    known = meanings(column, choices)
    plain = plain_word(word) or word.strip()
    if plain in known:
        return Match(known[plain], 1.0)
    joined = plain.replace(" ", "")
    best = max(known, key=lambda w: (fuzz.ratio(joined, w.replace(" ", "")), w))
    nearest = best.replace(" ", "")
    alike = fuzz.ratio(joined, nearest) / 100
    is_turned = joined.endswith(nearest) or nearest.endswith(joined)  # `inactive` is not `active`
    if alike >= SAME_WORD and not is_turned and len(joined) >= SHORTEST and NOT not in senses_of(word)[0]:
        return Match(known[best], alike)
    return by_sense(word, column, choices) or by_words(plain, column, known) or by_initials(plain, known)


def by_initials(plain: str, known: dict[str, str]) -> Match | None:
    """The meaning whose listed phrases have these first letters, `pb` of poll book; None if two meanings do."""
    phrases = (phrase.split() for phrase in known if " " in phrase)
    hits = {known[" ".join(words)] for words in phrases if "".join(word[0] for word in words) == plain}
    return Match(hits.pop(), INITIALS) if len(hits) == 1 else None


def shortens(word: str, whole: str) -> bool:
    """Whether a word may be a short form of another: its beginning, or its first letter and consonants in order."""
    if len(word) not in SHORT_FORM or len(whole) <= len(word) or word[0] != whole[0]:
        return False
    if whole.startswith(word):
        return True
    letters = iter(whole)
    return all(letter in letters for letter in word) and not any(letter in "aeiou" for letter in word[1:-1])


def is_clear(match: Match) -> bool:
    """Whether a meaning may be used before a person has looked at it."""
    return match.likeness >= CLEAR


def second_meaning(word: str, column: str) -> str | None:
    """What a word means where another word of the column has its first meaning, None where it means nothing else."""
    found: str | None = meaning_words()["beside"].get(column, {}).get(plain_word(word))
    return found


def by_words(plain: str, column: str, known: dict[str, str]) -> Match | None:
    """The meaning that all known words inside a longer phrase agree on (`closed - by phone`), None if they differ.

    The rest of the phrase must not speak of what the column is about: `line closed` is not `closed`.
    """
    inside = f" {plain} "
    hits = {w: known[w] for w in known if len(w) >= SHORTEST - 1 and f" {w} " in inside}
    if len(set(hits.values())) != 1:
        return None
    rest = inside.replace(f" {max(hits, key=len)} ", " ")
    is_plain = not senses_of(rest)[0] & (senses_asked(column) | {NOT})
    return Match(next(iter(hits.values())), INSIDE) if is_plain else None


@cache
def senses_asked(column: str) -> frozenset[str]:
    """The senses that a column's lines ask for."""
    lines = meaning_words()["means"].get(column, {})
    return frozenset(sense for many in lines.values() for line in many for sense in line.split())


def by_sense(word: str, column: str, choices: tuple[str, ...]) -> Match | None:
    """The meaning that asks for most of the senses in a phrase (`memory stick given to driver`), None if two do.

    A phrase that denies something means only what a line with `not` says.
    """
    lines = meaning_words()["means"].get(column, {})
    senses, strange = senses_of(word)
    if not senses or UNSURE in senses or len(plain_word(word).split()) > LONGEST_WORD:
        return None
    of_column = senses_asked(column) | {NOT}
    strange += len(senses - of_column)
    senses &= of_column
    best: dict[str, int] = {}
    for ours in choices:
        asked = [set(line.split()) for line in lines.get(ours, ())]
        held = [len(a) for a in asked if a <= senses and (NOT in a) == (NOT in senses)]
        if held:
            best[ours] = max(held)
    most = [ours for ours, held in best.items() if held == max(best.values())]
    if len(most) != 1:
        return None
    # A sense that the best line does not ask for may turn the meaning: `line closed` is not `closed`.
    covered = min(1.0, (1 + best[most[0]]) / (1 + len(senses)))
    return Match(most[0], BY_SENSE * covered * UNKNOWN**strange) if covered >= COVERED else None


@cache
def entries() -> tuple[dict[str, set[str]], list[tuple[str, str]]]:
    """Phrase → senses, and the beginnings of words with their sense."""
    whole: dict[str, set[str]] = {}
    begun = []
    for sense, phrases in meaning_words()["senses"].items():
        for phrase in phrases:
            if phrase.endswith("*"):
                begun.append((phrase[:-1], sense))
            else:
                whole.setdefault(phrase, set()).add(sense)
    return whole, begun


@cache
def neutral() -> frozenset[str]:
    """Words that say nothing of what a list is about."""
    return frozenset(meaning_words()["neutral"]["words"])


@lru_cache(maxsize=KEPT)
def senses_of(text: str) -> tuple[frozenset[str], int]:
    """The senses of a phrase's words, the longest entry at each place, and how many have none or a guessed one [count].

    What is denied must be known: after `not really` nothing is sure, and `UNSURE` is among the senses.
    """
    parts = plain_word(re.sub(r"n['’]t\b", " not", text, flags=re.IGNORECASE)).split()
    found: set[str] = set()
    strange, place, is_denied = 0, 0, False
    while place < len(parts):
        lengths = range(min(LONGEST_PHRASE, len(parts) - place), 0, -1)
        tried = ((senses_at(" ".join(parts[place : place + n])), n) for n in lengths)
        here, length = next((t for t in tried if t[0]), (None, 1))
        is_neutral = not here and parts[place] in neutral()
        if not here and not is_neutral:
            here = senses_guessed(parts[place])
            strange += 1
            found |= {UNSURE} if is_denied and not here else set()
        found |= here or set()
        is_denied = here == {NOT} or (is_denied and is_neutral)
        place += length
    return frozenset(found), strange


@lru_cache(maxsize=KEPT)
def senses_at(phrase: str) -> frozenset[str]:
    """The senses of one entry; a beginning counts for the longest that fits."""
    whole, begun = entries()
    if phrase in whole:
        return frozenset(whole[phrase])
    fits = [(len(b), sense) for b, sense in begun if phrase.startswith(b) and " " not in phrase[len(b) :]]
    longest = max((length for length, _ in fits), default=0)
    return frozenset(sense for length, sense in fits if length == longest)


@lru_cache(maxsize=KEPT)
def senses_guessed(word: str) -> frozenset[str]:
    """The sense of the shortest entry of which a word may be a short form, none if several senses have such."""
    whole, begun = entries()
    singles = [*((w, s) for w, senses in whole.items() if " " not in w for s in senses), *begun]
    short_of = [(len(w), sense) for w, sense in singles if shortens(word, w)]
    nearest = {sense for length, sense in short_of if length == min(short_of)[0]}
    return frozenset(nearest if len(nearest) == 1 else ())
