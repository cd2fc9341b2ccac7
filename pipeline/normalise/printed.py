"""What a form prints into every ticket: headings, warnings, signatures. It is no caller's word, and is read over."""

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Collection

DIVIDES = re.compile(r"\n+|\s*\|\s*|(?<=[.!?])\s+")
FEWEST_WORDS, FEWEST_TICKETS, FEWEST_PLACES = 4, 8, 4  # of a printed line: our choice
# Of the tickets that a printed line stands in, so many at the most are about one thing by their other words. What many
# places say in the same words of one trouble ("the poll books are down") stands beside words that tell of nothing else.
MOST_ALIKE = 0.4
LETTERS = re.compile(r"[^a-z]+")


def bare(part: str) -> str:
    """The letters of a line, so that a number or a mark in it changes nothing."""
    return LETTERS.sub(" ", part.lower()).strip()


def printed(tickets: Collection[tuple[str | None, str | None]], about: Callable[[str], str]) -> frozenset[str]:
    """The lines and sentences that stand in many tickets beside words about many things.

    Parameters
    ----------
    tickets : the place as said, and the text
    about : what a text is about
    """
    places: dict[str, set[str | None]] = defaultdict(set)
    texts: dict[str, list[str]] = defaultdict(list)
    for place, text in tickets:
        parts = {bare(part) for part in DIVIDES.split(text or "")}
        for part in parts if len(parts) > 1 else ():
            if part.count(" ") + 1 >= FEWEST_WORDS:
                places[part].add(place)
                texts[part].append(text or "")
    often = frozenset(p for p in texts if len(texts[p]) >= FEWEST_TICKETS and len(places[p]) >= FEWEST_PLACES)
    return frozenset(part for part in often if are_diverse([about(told(text, often)) for text in texts[part]]))


def are_diverse(things: Collection[str]) -> bool:
    """Whether no one thing holds more than a few of these."""
    return Counter(things).most_common(1)[0][1] <= MOST_ALIKE * len(things)


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
