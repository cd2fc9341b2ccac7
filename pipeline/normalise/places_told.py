"""Which places a text names, where the place as said leaves a doubt: names, streets, precincts, rooms."""

import re
from collections import defaultdict
from collections.abc import Set
from itertools import groupby

from pipeline.normalise.gazetteer import Gazetteer, Place, precinct_key
from pipeline.normalise.place_words import DIRECTIONS, FILLERS, KINDS, OPPOSED, STREETS, place_tokens, plain
from pipeline.normalise.places import PRECINCT_FORM

WHICH_WAY = re.compile(rf"\b({'|'.join(sorted(DIRECTIONS))})\W{{1,2}}(?:one|campus|branch|location|site)\b", re.I)
WHICH = re.compile(  # "we are SOUTH", "the library by the lake, South."
    rf"(?:\b(?:we\s+are|we'?re|this\s+is|i'?m|i\s+am)\s+(?:at\s+|in\s+)?(?:the\s+)?|,\s*)({'|'.join(sorted(DIRECTIONS))})(?=\s*(?:[.,;!)]|$))",
    re.I,
)
NOT_THERE = re.compile(r"\bnot\s+(?:the\s+|at\s+(?:the\s+)?|in\s+)?[a-z]+", re.I)  # "the main one, not Westbank"
MOST_WORDS = 5  # of a street, or of a precinct called by words, as looked for in a text: our choice


def words_beside(book: Gazetteer, text: str) -> frozenset[str]:
    """Words of a text that stand in names or rooms of sites and may tell which is meant: "at the elementary".

    A direction does where it is said of the place: "the north one", "south campus".
    """
    text = NOT_THERE.sub(" ; ", text)
    said = {w for w in place_tokens(text) if w not in FILLERS | DIRECTIONS and len(w) > 2}
    said |= {found[1].lower() for form in (WHICH_WAY, WHICH) for found in form.finditer(text)}
    return frozenset(said & book.beside)


def named_in(book: Gazetteer, text: str) -> frozenset[int]:
    """Sites one of whose names stands whole in a text, a name of one word only where no other site has that word.

    Where none does, sites of which a part of a name does; then those of a street, of precincts, of a room.
    """
    tokens = place_tokens(text)
    starts: dict[str, list[int]] = defaultdict(list)
    for at, token in enumerate(tokens):
        starts[token].append(at)
    found: dict[int, set[str]] = defaultdict(set)
    for token, places_at in sorted(starts.items()):
        for i in book.by_word.get(token, ()):
            for name in book.places[i].names:
                is_telling = len(name) > 1 or (len(book.by_word[token]) == 1 and len(token) > 3 and not token.isdigit())
                if is_telling and name[0] == token and any(tokens[at : at + len(name)] == name for at in places_at):
                    found[i] |= set(name)
    every = {word for words in found.values() for word in words}
    whole = {i for i in found if every <= words_of_place(book.places[i])}  # "Trinity in Cass Creek"
    parts = whole or found or parts_in(book, tokens)
    return frozenset(parts or streets_in(book, tokens) or precincts_in(book, text, tokens) or rooms_in(book, tokens))


def streets_in(book: Gazetteer, tokens: tuple[str, ...]) -> Set[int]:
    """Sites on the street that a text names whole, with its kind: "wires down across Slough Rd"; the fewest."""
    ends = [i for i, token in enumerate(tokens) if token in STREETS]
    named = [book.streets.get(tokens[a : b + 1], set()) for b in ends for a in range(max(0, b - MOST_WORDS + 1), b)]
    return min(filter(None, named), key=len, default=set())


def parts_in(book: Gazetteer, tokens: tuple[str, ...]) -> Set[int]:
    """Sites of whose name two words or more stand side by side, one of them no kind of place, as of no other's."""
    sites: dict[tuple[str, ...], set[int]] = defaultdict(set)
    for i, place in enumerate(book.places):
        words = {word for name in place.names for word in name}
        for is_of, group in groupby(tokens, key=words.__contains__):
            run = tuple(group)
            telling = [w for w in run if w not in KINDS | FILLERS | STREETS | OPPOSED and len(w) > 2 and w.isalpha()]
            if is_of and telling and len(set(run)) > 1:
                sites[run].add(i)
    return {next(iter(found)) for found in sites.values() if len(found) == 1}


def rooms_in(book: Gazetteer, tokens: tuple[str, ...]) -> Set[int]:
    """Sites whose room, of two words or more and one of its own, a text names whole: "Wesley Room"."""
    said = set(tokens)
    named = {i for i, place in enumerate(book.places) if len(place.room) > 1 and place.room <= said}
    return {i for i in named if book.places[i].room - KINDS - FILLERS - DIRECTIONS}


def precincts_in(book: Gazetteer, text: str, tokens: tuple[str, ...]) -> Set[int]:
    """Sites whose own precincts a text names, by number ("precinct 12") or by words ("Orley 2")."""
    forms = (m for m in PRECINCT_FORM.finditer(plain(text)) if m.group(0)[:2].isalpha())  # "p 12" may be a page
    named = [book.precincts.get(precinct_key(*m.groups()), set()) for m in forms]
    spans = (
        [tokens[a:b] for a in range(len(tokens)) for b in range(a + 2, min(len(tokens), a + MOST_WORDS) + 1)]
        if book.called
        else []
    )
    named += [book.called[span] for span in spans if span in book.called]
    return {i for sites in named if len(sites) == 1 for i in sites}


def words_of_place(place: Place) -> Set[str]:
    """Every word of a site's names, street and room."""
    return {word for name in place.names for word in name} | place.street | place.room
