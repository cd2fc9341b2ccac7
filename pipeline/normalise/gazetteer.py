"""The roster of sites as an index of words: names, aliases, addresses, rooms and precincts."""

import math
import re
from collections import defaultdict
from collections.abc import Set
from dataclasses import dataclass, field
from itertools import chain, pairwise
from typing import Any

import polars as pl

from pipeline.normalise.kept import kept
from pipeline.normalise.place_words import DIRECTIONS, KINDS, OPPOSED, STREETS, place_tokens, plain
from pipeline.normalise.shortened import Shortened, shortened

LONG = 7  # letters from which a word can be several run together: our choice
COLUMNS = ("site_id", "name", "aliases", "address", "room", "precincts")  # of the roster, that are read
ROSTERS_KEPT = 2  # the present one, and that of a past moment [count]
FEWEST = 30  # a word of one of few sites tells as much as of one of so many: our choice
Asked = tuple[str, tuple[str, ...], frozenset[int], frozenset[str], tuple[str, ...]]  # what `places.site_of` is asked


@dataclass
class Place:
    """One site's words, ready for matching."""

    site_id: str
    names: list[tuple[str, ...]]
    street: frozenset[str]
    number: str | None
    room: frozenset[str]
    kinds: frozenset[str] = frozenset()
    opposed: frozenset[str] = frozenset()
    numbers: frozenset[str] = frozenset()
    squeezed: frozenset[str] = frozenset()  # the name's initials, and its words run together


@dataclass
class Gazetteer:
    """The roster of sites as an index of words."""

    places: list[Place]
    as_written: Shortened
    precincts: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))
    wholes: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))
    called: dict[tuple[str, ...], set[int]] = field(default_factory=lambda: defaultdict(set))  # precincts with a name
    numbers: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))
    by_word: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))
    rarity: dict[str, float] = field(default_factory=dict)
    single: set[str] = field(
        default_factory=set
    )  # words of names, streets and rooms; neither initials nor names run together
    initials: dict[str, set[tuple[str, ...]]] = field(default_factory=lambda: defaultdict(set))
    together: dict[str, tuple[str, str]] = field(default_factory=dict)  # "coop": neighbours in a name, run together
    vocabulary: list[str] = field(default_factory=list)
    ids: dict[str, int] = field(default_factory=dict)
    alike: dict[str, list[tuple[str, float]]] = field(default_factory=dict)
    answers: dict[Asked, tuple[str | None, float]] = field(default_factory=dict)
    streets: dict[tuple[str, ...], set[int]] = field(default_factory=lambda: defaultdict(set))  # whole, with their kind
    beside: set[str] = field(default_factory=set)  # words of names and rooms


def precinct_key(number: str, letter: str | None, part: str | None = None) -> str:
    """A precinct's name in one form: 044-a, 44A and "44 A" give 44a."""
    return (number.lstrip("0") or "0") + (letter or "").lower() + (part or "")


def read_precinct(text: str) -> str | None:
    """A precinct of the roster in its common form."""
    found = re.match(r"\s*(?:[a-z]{0,4}\W*)?(\d{1,4})\s*-?\s*([a-z])?(-\d+)?\s*$", text, re.I)
    return precinct_key(*found.groups()) if found else None


def spoken_names(row: dict[str, Any]) -> list[tuple[str, ...]]:
    """The words of a site's name, and of its aliases."""
    return [place_tokens(n) for n in [row["name"] or "", *((row.get("aliases") or "").split(";"))] if n.strip()]


def joined(tokens: tuple[str, ...], single: Set[str]) -> tuple[str, ...]:
    """Neighbours put together where the roster writes them as one word elsewhere: "Lake View" beside "Lakeview"."""
    out: list[str] = []
    for token in tokens:
        if out and out[-1] + token in single and not token.isdigit():
            out[-1] += token
        else:
            out.append(token)
    return tuple(out)


def make_place(row: dict[str, Any], single: Set[str]) -> Place:
    """One site of the roster, its words in their common form.

    Parameters
    ----------
    single : every word of the roster's names
    """
    names = sorted({joined(name, single) for name in spoken_names(row)})
    full = joined(place_tokens(row["name"] or ""), single)
    address = place_tokens(row.get("address") or "")
    number = address[0] if address and address[0].isdigit() else None
    every = [t for name in names for t in name]
    squeezed = {"".join(t[0] for t in full)} if len(full) >= 3 else set()
    squeezed |= {"".join(full)} if len(full) >= 2 else set()
    return Place(
        site_id=row["site_id"],
        names=[n for n in names if n],
        street=frozenset(address[1:] if number else address),
        number=number,
        room=frozenset(place_tokens(row.get("room") or "")),
        kinds=frozenset(t for t in every if t in KINDS),
        opposed=frozenset(t for t in full if t in OPPOSED),
        numbers=frozenset(t for t in every if t.isdigit()),
        squeezed=frozenset(squeezed),
    )


def streets_of(address: str) -> list[tuple[str, ...]]:
    """The streets of an address, each with its kind: "120 W School St, Harlan" gives west school st, and school st."""
    tokens = place_tokens(address.split(",")[0])
    tokens = tokens[1:] if tokens and tokens[0].isdigit() else tokens
    end = next((i for i, t in enumerate(tokens) if t in STREETS and i), None)
    whole = tokens[: end + 1] if end is not None else ()
    return [s for s in (whole, whole[1:] if whole and whole[0] in DIRECTIONS else ()) if len(s) > 1]


def gazetteer(sites: pl.DataFrame) -> Gazetteer:
    """The index of a roster of sites."""
    return gazetteer_of(sites.select(COLUMNS).sort("site_id"))


@kept(ROSTERS_KEPT)
def gazetteer_of(sites: pl.DataFrame) -> Gazetteer:
    """The index of the sites' words, in the order of the sites."""
    rows = sites.to_dicts()
    single = {word for row in rows for name in spoken_names(row) for word in name}
    book = Gazetteer([make_place(row, single) for row in rows], shortened(rows))
    for i, row in enumerate(rows):
        book.ids[plain(row["site_id"])] = i
        for precinct in filter(None, (row["precincts"] or "").split(";")):
            key = read_precinct(precinct)
            if key:
                book.precincts[key].add(i)
                book.wholes[re.match(r"\d+", key).group(0)].add(i)  # type: ignore[union-attr]
            elif place_tokens(precinct):
                book.called[place_tokens(precinct)].add(i)
    for i, place in enumerate(book.places):
        for word in {t for name in place.names for t in name} | place.street | place.room | place.squeezed:
            book.by_word[word].add(i)
        if place.number:
            book.numbers[place.number].add(i)
    total = max(FEWEST, len(book.places))
    book.rarity = {word: math.log(1 + total / len(sites_)) for word, sites_ in book.by_word.items()}
    for name in chain.from_iterable(p.names for p in book.places):
        for size in range(2, len(name) + 1):  # "QC Armory", "JP Vandersloot"
            book.initials["".join(w[0] for w in name[:size])].add(name[:size])
        book.together |= {a + b: (a, b) for a, b in pairwise(name) if (a + b).isalpha()}
    book.beside = {w for p in book.places for w in [*chain.from_iterable(p.names), *p.room]}
    for i, row in enumerate(rows):
        for street in streets_of(row["address"] or ""):
            book.streets[street].add(i)
    book.single = {w for p in book.places for w in [*chain.from_iterable(p.names), *p.street, *p.room]}
    spoken = book.single | {
        w for p in book.places for w in p.squeezed if len(w) >= LONG
    }  # initials are said exactly or not at all
    book.vocabulary = sorted(w for w in spoken if not w.isdigit())
    indexes: tuple[Any, ...] = (
        book.precincts,
        book.wholes,
        book.called,
        book.numbers,
        book.by_word,
        book.initials,
        book.streets,
    )
    for index in indexes:  # what is looked up must not become a part of what is kept
        index.default_factory = None
    return book
