"""How surely a place is known that is said otherwise: python tests/benchmarks/places.py BOOK [BOOK ...].

Every site of the books' rosters is said as its roster does not write it, by a program with a fixed seed. Prints
Markdown: the share of sites answered, and of those answered the share that is right.
"""

import random
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb

from pipeline.normalise.gazetteer import gazetteer
from pipeline.normalise.places import site_of
from pipeline.settings import Settings
from pipeline.store import read
from pipeline.store.book import Book

SEED, OFTEN = 7, "etaoinsr"
Site = dict[str, Any]


def slip(word: str, chance: random.Random) -> str:
    """A word of five letters or more with two letters swapped, one left out or one wrong."""
    if len(word) < 5:
        return word
    i, how = chance.randrange(1, len(word) - 1), chance.randrange(3)
    middle = (word[i + 1] + word[i], "", chance.choice(OFTEN))[how]
    return word[:i] + middle + word[i + (2 if how == 0 else 1) :]


def without_vowels(word: str) -> str:
    """A word of five letters or more without the vowels after its first letter."""
    return word[0] + "".join(c for c in word[1:] if c not in "aeiou") if len(word) > 4 else word


def street(site: Site) -> list[str]:
    """The words of a street, without the house's number."""
    return [w for w in (site["address"] or "").split() if not w.isdigit()]


def otherwise(chance: random.Random) -> dict[str, Callable[[Site], str]]:
    """Ways to say a place."""

    def each(change: Callable[[str], str]) -> Callable[[Site], str]:
        return lambda site: " ".join(map(change, site["name"].split()))

    def some(*which: int) -> Callable[[Site], str]:
        return lambda site: " ".join(site["name"].split()[slice(*which)])

    def one_less(site: Site) -> str:
        words = site["name"].split()
        del words[chance.randrange(len(words))]
        return " ".join(words)

    return {
        "name": each(str),
        "a slip in every word": each(lambda w: slip(w, chance)),
        "words cut to five letters": each(lambda w: w[:5]),
        "words cut to three letters": each(lambda w: w[:3]),
        "vowels left out": each(without_vowels),
        "first word": some(0, 1),
        "first two words": some(0, 2),
        "last word": some(-1, None),
        "last two words": some(-2, None),
        "one word left out": one_less,
        "run together": lambda site: site["name"].replace(" ", "").lower(),
        "initials": lambda site: "".join(w[0] for w in site["name"].split()),
        "street": lambda site: " ".join(street(site)),
        "kind and street": lambda site: " ".join([site["name"].split()[-1], "on", *street(site)]),
        "house number": lambda site: (site["address"] or "").split(" ")[0],
        "middle of the first word left out": lambda site: (
            site["name"][0] + "'" + site["name"][len(site["name"].split()[0]) // 2 :]
        ),
    }


def main(books: list[Path]) -> None:
    """Prints the table."""
    chance, rosters = random.Random(SEED), []
    threshold = Settings()["tickets.site_threshold"]
    for book in books:
        rows = read.read_rows(duckdb.connect(str(Book(book).published), read_only=True))
        sites = read.known_at(rows, read.received(rows, "tickets")["received_at"].max()).sites  # type: ignore[arg-type]
        rosters.append((gazetteer(sites), sites.sort("site_id").to_dicts()))
    print("| said | places | answered | right |\n|---|---|---|---|")
    for name, say in otherwise(chance).items():
        answers = [(site["site_id"], *site_of(atlas, say(site))) for atlas, sites in rosters for site in sites]
        told = [true == site_id for true, site_id, sure in answers if sure >= threshold]
        print(f"| {name} | {len(answers)} | {len(told) / len(answers):.3f} | {sum(told) / max(1, len(told)):.3f} |")


if __name__ == "__main__":
    main([Path(a) for a in sys.argv[1:]])
