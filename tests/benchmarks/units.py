"""How surely a unit is known however it is named: python tests/benchmarks/units.py BOOK [BOOK ...].

Every unit at a site of the books' rosters is named in a short text about its kind's commonest trouble, by a program with
a fixed seed. Prints Markdown: the share of units answered, and of those answered the share that is right.
"""

import random
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb

from pipeline.normalise.unit_roster import Unit, unit_book
from pipeline.normalise.units import kind_of, unit_of
from pipeline.store import read
from pipeline.store.book import Book

SEED = 11
DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
TROUBLE = {
    "scanner": ("scanner-jam", "scanner", "won't take a ballot"),
    "bmd": ("bmd", "bmd", "screen is frozen"),
    "pollbook": ("poll-book", "tablet", "lost the list"),
}


def read_out(number: str) -> str:
    """A number digit by digit in words."""
    return " ".join(DIGITS[int(d)] for d in number)


def swapped(number: str, chance: random.Random) -> str:
    """A number with two different neighbours swapped, where it has such."""
    at = [i for i in range(1, len(number) - 1) if number[i] != number[i + 1]]
    i = chance.choice(at) if at else 0
    return number[:i] + number[i + 1] + number[i] + number[i + 2 :] if at else number


def names(chance: random.Random) -> dict[str, Callable[[Unit, str], str]]:
    """Ways to name a unit, given what its users call such."""
    letters = lambda u: u.unit_id[: len(u.unit_id) - len(u.unit_id.lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ"))]  # noqa: E731
    return {
        "tag": lambda u, noun: u.unit_id,
        "lower case, no hyphen": lambda u, noun: u.unit_id.lower().replace("-", ""),
        "a space for the hyphen": lambda u, noun: u.unit_id.replace("-", " "),
        "letters, digits without zeros": lambda u, noun: f"{letters(u)}{u.digits.lstrip('0')}",
        "digits": lambda u, noun: f"{noun} {u.digits}",
        "digits without zeros": lambda u, noun: f"{noun} {u.digits.lstrip('0')}",
        "digits by themselves": lambda u, noun: u.digits,
        "last three": lambda u, noun: f"{noun} ending in {u.digits[-3:]}",
        "last two": lambda u, noun: f"{noun} {u.digits[-2:]}",
        "read out": lambda u, noun: f"{noun} {read_out(u.digits)}",
        "last three read out": lambda u, noun: f"{noun} {read_out(u.digits[-3:])}",
        "in two parts": lambda u, noun: f"{u.digits[: len(u.digits) // 2]}-{u.digits[len(u.digits) // 2 :]}",
        "two digits swapped": lambda u, noun: f"{noun} {swapped(u.digits, chance)}",
        "serial": lambda u, noun: f"serial {u.serials[0]}",
        "serial in two parts": lambda u, noun: f"serial {u.serials[0][:4]} {u.serials[0][4:]}",
        "last four of the serial": lambda u, noun: f"serial ends {u.serials[0][-4:]}",
        "end of its id": lambda u, noun: "".join(u.local[0]).upper() if u.local else u.unit_id,
        "not named": lambda u, noun: f"our {noun}",
    }


def main(books: list[Path]) -> None:
    """Prints the table."""
    chance, rosters = random.Random(SEED), []
    for book in books:
        rows = read.read_rows(duckdb.connect(str(Book(book).published), read_only=True))
        rosters.append(unit_book(read.known_at(rows, read.received(rows, "tickets")["received_at"].max()).units))  # type: ignore[arg-type]
    print("| named | units | answered | right |\n|---|---|---|---|")
    for name, say in names(chance).items():
        answers = []
        for roster in rosters:
            for unit in roster.units:
                if unit.site_id and kind_of(roster, unit.unit_id) in TROUBLE:
                    category, noun, trouble = TROUBLE[str(kind_of(roster, unit.unit_id))]
                    text = f"{say(unit, noun)} {trouble}"
                    answers.append((unit.unit_id, unit_of(roster, unit.site_id, "", text, category)))
        told = [true == unit_id for true, unit_id in answers if unit_id]
        print(f"| {name} | {len(answers)} | {len(told) / len(answers):.3f} | {sum(told) / max(1, len(told)):.3f} |")


if __name__ == "__main__":
    main([Path(a) for a in sys.argv[1:]])
