"""Slips of the keys put right: a token as the word of the trade, or of ordinary English, that it stands for."""

from collections.abc import Iterable, Sequence
from typing import Protocol

import numpy as np
from rapidfuzz import process
from rapidfuzz.distance import OSA

from pipeline.normalise.forms import stem
from pipeline.normalise.word_lists import words_of

MOST_SLIPS, MOST_NEAR = 3, 8  # slips in the longest words, and near words that are compared: our choice
AT_ONCE = 500  # words compared with all others at once, for memory [count]
KEYS = ("qwertyuiop", "asdfghjkl", "zxcvbnm")
SMALL = frozenset(
    words_of(
        "a an the our my your their his her its this that these those is are was were be been being am just even really"
        " very quite so now also still some s t re m ve ll d th st nd rd as"
    )
)


class Words(Protocol):
    """The words that a token may stand for."""

    spelled: dict[str, tuple[str, ...]]
    stems: frozenset[str]
    common: frozenset[str]
    trade: frozenset[str]
    raw: list[str]
    known: dict[str, tuple[str, ...]]


def understood(book: Words, token: str) -> tuple[str, ...]:
    """The stems that a token stands for: itself, a spelling put right, or two words run together."""
    if token not in book.known:
        book.known[token] = put_right(book, token)
    return book.known[token]


def put_right(book: Words, token: str) -> tuple[str, ...]:
    """`understood`, worked out anew."""
    as_it_stands = taken_as_is(book, token)
    if as_it_stands is not None:
        return as_it_stands
    near = process.extract(token, book.raw, scorer=OSA.distance, score_cutoff=most_slips(token), limit=MOST_NEAR)
    return likeliest(book, token, [(int(d), w) for w, d, _ in near])


def put_all_right(book: Words, tokens: Iterable[str]) -> None:
    """`put_right` of many tokens at once, which is faster, kept for `understood`."""
    unsure = []
    for token in sorted(set(tokens) - book.known.keys()):
        as_it_stands = (token,) if token.isdigit() else taken_as_is(book, token)
        if as_it_stands is None:
            unsure.append(token)
        else:
            book.known[token] = as_it_stands
    for i in range(0, len(unsure), AT_ONCE):
        some = unsure[i : i + AT_ONCE]
        slips = process.cdist(some, book.raw, scorer=OSA.distance, score_cutoff=MOST_SLIPS, dtype=np.uint8)
        for token, row in zip(some, slips, strict=True):
            near = np.flatnonzero(row <= most_slips(token))
            near = near[np.argsort(row[near], kind="stable")][:MOST_NEAR]
            book.known[token] = likeliest(book, token, [(int(row[j]), book.raw[j]) for j in near.tolist()])


def taken_as_is(book: Words, token: str) -> tuple[str, ...] | None:
    """The stems of a token that is a word as it stands; None where a slip may have to be put right."""
    if token in book.spelled:
        return book.spelled[token]
    base = stem(token)
    return (base,) if len(token) < 4 or base in book.stems or token in book.common else None


def most_slips(token: str) -> int:
    """How many slips a word of some length may have."""
    return 1 if len(token) <= 7 else 2 if len(token) <= 11 else MOST_SLIPS


def likeliest(book: Words, token: str, near: Sequence[tuple[int, str]]) -> tuple[str, ...]:
    """The stems that a token with a slip stands for, from near words and how many slips away each is."""
    # A slip seldom changes the first letter, and in a short word only a likely one is safe to undo.
    sure = [
        (d + slip_cost(token, w) + 0.2 * (w not in book.trade), w)
        for d, w in near
        if len(token) > 4 or is_likely_slip(token, w)
    ]
    if sure:
        return (stem(min(sure)[1]),)
    return run_together(book, token) or (stem(token),)


def slip_cost(token: str, word: str) -> float:
    """What makes one of several near words less likely: another first letter, a letter more or less, keys far apart."""
    wrong = [(a, b) for a, b in zip(token, word, strict=False) if a != b]
    far = len(token) == len(word) and len(wrong) == 1 and not are_neighbours(*wrong[0])
    return 0.5 * (word[0] != token[0]) + 0.1 * (len(token) != len(word)) + 0.1 * far


def is_likely_slip(token: str, word: str) -> bool:
    """Whether two short words differ by swapped neighbours, a letter more or less, or two keys side by side."""
    if len(token) != len(word):
        return token[0] == word[0]
    wrong = [(a, b) for a, b in zip(token, word, strict=True) if a != b]
    return len(wrong) == 2 or (len(wrong) == 1 and are_neighbours(*wrong[0]))


def are_neighbours(one: str, other: str) -> bool:
    """Whether two letters lie side by side on a QWERTY keyboard."""
    spots = [(row, key) for letter in (one, other) for row in range(3) for key in [KEYS[row].find(letter)] if key >= 0]
    return len(spots) == 2 and abs(spots[0][0] - spots[1][0]) <= 1 and abs(spots[0][1] - spots[1][1]) <= 1


def run_together(book: Words, token: str) -> tuple[str, ...]:
    """Two known words written as one ("saysneed"), or nothing."""
    if len(token) < 6:
        return ()
    for cut in range(len(token) - 2, 1, -1):
        left, right = stem(token[:cut]), stem(token[cut:])
        if left in book.stems and right in book.stems and (cut > 2 or token[:cut] in SMALL):
            return (left, right)
    return ()
