"""What a form prints into every ticket: headings, warnings, signatures. It is no caller's word, and is read over."""

import re
from collections import defaultdict
from collections.abc import Iterable

DIVIDES = re.compile(r"\n+|\s*\|\s*|(?<=[.!?])\s+")
FEWEST_TICKETS, FEWEST_WORDS = 4, 4  # a line is printed that stands whole in this many tickets, and has this many words
LETTERS = re.compile(r"[^a-z]+")


def bare(part: str) -> str:
    """The letters of a line, so that a number or a mark in it changes nothing."""
    return LETTERS.sub(" ", part.lower()).strip()


def printed(tickets: Iterable[tuple[str | None, str | None]]) -> frozenset[str]:
    """The lines and sentences that stand in the tickets of several places, beside other words.

    Parameters
    ----------
    tickets : the place as said, and the text
    """
    places: dict[str, set[str | None]] = defaultdict(set)
    for place, text in tickets:
        parts = {bare(part) for part in DIVIDES.split(text or "")}
        for part in parts if len(parts) > 1 else ():
            if part.count(" ") + 1 >= FEWEST_WORDS:
                places[part].add(place)
    return frozenset(part for part, said in places.items() if len(said) >= FEWEST_TICKETS)


def told(text: str, lines: frozenset[str]) -> str:
    """A text without printed lines; the whole of it where nothing else is left."""
    if not lines:
        return text
    kept, start = [], 0
    for end in [*(m.end() for m in DIVIDES.finditer(text)), len(text)]:
        if bare(text[start:end]) not in lines:
            kept.append(text[start:end])
        start = end
    return "".join(kept).strip() or text
