"""How the tickets of days that nobody has opened are read, totals alone: python tests/benchmarks/totals.py BOOK TRUTH ...

Two arguments a day: a book that holds it, and its truth (Parquet or CSV: ticket_id, site_id, unit_id, primary, event_id,
and unit_told, yes where the words settle which unit is meant). Prints Markdown: a row a day and one of all together, at
the end of the day. No ticket and no word of one is printed, so that a day can be scored and stay unopened.
"""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import polars as pl

from pipeline.normalise.troubles import read_tickets
from pipeline.store import read
from pipeline.store.book import Book

BINS, SUREST = 10, 0.8
HEAD = (
    "day", "tickets", "site answered", "site right", "unit told, right", "units answered, right",
    "category right", "macro-F1", "surest 80 %", "mean said", "calibration error", "pairs right of linked", "of true", "precision", "recall",
)  # fmt: skip
Groups = dict[str, str]  # the trouble of each ticket


class Day(NamedTuple):
    """A day's tickets, each its truth and its reading, and its pairs of tickets of one trouble: linked, true, both."""

    tickets: list[tuple[dict[str, Any], dict[str, Any]]]
    linked: int
    true: int
    both: int


def day_of(book: Path, truth_path: Path) -> Day:
    """A day as it is read at its end."""
    truth = pl.read_parquet(truth_path) if truth_path.suffix == ".parquet" else pl.read_csv(truth_path)
    rows = read.read_rows(duckdb.connect(str(Book(book).published), read_only=True))
    known = read.known_at(rows, read.received(rows, "tickets")["received_at"].max())  # type: ignore[arg-type]
    told = {r["ticket_id"]: r for r in read_tickets(known).to_dicts()}
    found = [(t, told[t["ticket_id"]]) for t in truth.to_dicts() if t["ticket_id"] in told]
    really = pairs({t["ticket_id"]: t["event_id"] for t, _ in found if t["event_id"]})
    ours = pairs({t["ticket_id"]: first_of(told, t["ticket_id"]) for t, _ in found})
    return Day(found, len(ours), len(really), len(ours & really))


def first_of(told: dict[str, dict[str, Any]], ticket: str) -> str:
    """The first ticket of a ticket's chain of repeats."""
    while told.get(ticket, {}).get("same_as"):
        ticket = told[ticket]["same_as"]
    return ticket


def pairs(groups: Groups) -> set[tuple[str, str]]:
    """Pairs of tickets in one group."""
    ids = sorted(groups)
    return {(a, b) for i, a in enumerate(ids) for b in ids[i + 1 :] if groups[a] == groups[b]}


def calibration_error(chances: Sequence[tuple[float, bool]]) -> float:
    """The expected calibration error over ten bins of equal width."""
    gaps = [0.0] * BINS
    for chance, is_right in chances:
        gaps[min(BINS - 1, int(chance * BINS))] += chance - is_right
    return sum(map(abs, gaps)) / len(chances)


def macro_f1(named: Sequence[tuple[str, str]]) -> float:
    """Mean F1 of the categories that occur (van Rijsbergen 1979, from memory), from pairs of true and told."""
    found = []
    for category in {true for true, _ in named}:
        hits = sum(true == told == category for true, told in named)
        found.append(2 * hits / sum((true == category) + (told == category) for true, told in named))
    return sum(found) / len(found)


def row(name: str, day: Day) -> str:
    """A day's row of the table."""
    found = day.tickets
    answered = [t["site_id"] == r["site_id"] for t, r in found if r["site_id"]]
    units = [t["unit_id"] == r["unit_id"] for t, r in found if t.get("unit_told") == "yes" or t.get("unit_in_text")]
    guesses = [t["unit_id"] == r["unit_id"] for t, r in found if r["unit_id"]]
    named = [(t["primary"], r["category"]) for t, r in found]
    chances = [(r["category_confidence"], t["primary"] == r["category"]) for t, r in found]
    surest = sorted(chances, key=lambda c: -c[0])[: max(1, round(SUREST * len(chances)))]
    shares = [
        len(answered) / len(found),
        share(answered),
        share(units),
        share(guesses),
        share([ok for _, ok in chances]),
        macro_f1(named),
        share([ok for _, ok in surest]),
        sum(c for c, _ in chances) / len(chances),
        calibration_error(chances),
    ]
    linked = [f"{day.both} of {day.linked}", f"{day.true}", f"{day.both / max(1, day.linked):.3f}"]
    cells = [name, str(len(found)), *(f"{s:.3f}" for s in shares), *linked, f"{day.both / max(1, day.true):.3f}"]
    cells[4] += f" of {len(units)}"
    cells[5] += f" of {len(guesses)}"
    return f"| {' | '.join(cells)} |"


def share(right: Sequence[bool]) -> float:
    """The share that is right."""
    return sum(right) / max(1, len(right))


def main(arguments: Sequence[str]) -> None:
    """Prints the table."""
    print(f"| {' | '.join(HEAD)} |\n|{'---|' * len(HEAD)}")
    days = [(Path(b).name, day_of(Path(b), Path(t))) for b, t in zip(*(iter(arguments),) * 2, strict=True)]
    for name, day in days:
        print(row(name, day))
    every = [d for _, d in days]
    linked, true, both = (sum(counts) for counts in zip(*((d.linked, d.true, d.both) for d in every), strict=True))
    print(row("together", Day([t for d in every for t in d.tickets], linked, true, both)))


if __name__ == "__main__":
    main(sys.argv[1:])
