"""How the tickets of days that nobody has opened are read, totals alone: python tests/benchmarks/totals.py BOOK TRUTH ...

Two arguments a day: a book that holds it, and its truth (Parquet or CSV: ticket_id, site_id, unit_id, primary, event_id,
and unit_told, yes where the words settle which unit is meant). Prints Markdown: a row a day and one of all together, at
the end of the day. No ticket and no word of one is printed, so that a day can be scored and stay unopened.
"""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import duckdb
import polars as pl
from reading import Pair, asked_twice, chained, pairs_of, scores

from pipeline.normalise.troubles import read_tickets
from pipeline.store import read
from pipeline.store.book import Book

HEAD = (
    "day", "tickets", "site answered", "site right", "unit told, right", "units answered, right",
    "category right", "macro-F1", "surest 80 %", "mean said", "calibration error", "pairs right of linked", "of true", "precision", "recall",
)  # fmt: skip


class Day(NamedTuple):
    """A day's tickets, each its truth and its reading, and its pairs of tickets of one trouble: linked, true, both."""

    tickets: list[Pair]
    linked: int
    true: int
    both: int


def day_of(book: Path, truth_path: Path) -> Day:
    """A day as it is read at its end."""
    truth = (
        pl.read_parquet(truth_path) if truth_path.suffix == ".parquet" else pl.read_csv(truth_path, infer_schema=False)
    )
    rows = read.read_rows(duckdb.connect(str(Book(book).published), read_only=True))
    known = read.known_at(rows, read.received(rows, "tickets")["received_at"].max())  # type: ignore[arg-type]
    told = {r["ticket_id"]: r for r in read_tickets(known).to_dicts()}
    found = [(t, told[t["ticket_id"]]) for t in truth.to_dicts() if t["ticket_id"] in told]
    heads = chained(told)
    really = pairs_of({t["ticket_id"]: t["event_id"] for t, _ in found if t["event_id"]})
    ours = pairs_of({t["ticket_id"]: heads[t["ticket_id"]] for t, _ in found}) - asked_twice([t for t, _ in found])
    return Day(found, len(ours), len(really), len(ours & really))


def row(name: str, day: Day) -> str:
    """A day's row of the table."""
    found = day.tickets
    site_answered, site_right, unit_right, right, f1, surest, error = scores(found)
    told = [t["unit_id"] == r["unit_id"] for t, r in found if t.get("unit_told") == "yes" or t.get("unit_in_text")]
    guesses = sum(1 for _, r in found if r["unit_id"])
    said = sum(r["category_confidence"] for _, r in found) / len(found)
    unit_told = sum(told) / max(1, len(told))
    shares = [site_answered, site_right, unit_told, unit_right, right, f1, surest, said, error]
    linked = [f"{day.both} of {day.linked}", f"{day.true}", f"{day.both / max(1, day.linked):.3f}"]
    cells = [name, str(len(found)), *(f"{s:.3f}" for s in shares), *linked, f"{day.both / max(1, day.true):.3f}"]
    cells[4] += f" of {len(told)}"
    cells[5] += f" of {guesses}"
    return f"| {' | '.join(cells)} |"


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
