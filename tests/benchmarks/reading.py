"""How tickets of a day are read, against its truth: python tests/benchmarks/reading.py BOOK TRUTH.

BOOK is a book that holds the day. TRUTH is a table (Parquet or CSV) of a simulated day or of a day gone through by
hand: ticket_id, site_id, unit_id, primary (the category), and event_id where calls of one trouble share one. Prints
Markdown: scores as first seen and at the end, a reliability table each for site and category, and the confusions.
"""

import sys
import time
from collections import Counter, defaultdict
from collections.abc import Sequence
from datetime import datetime
from itertools import combinations
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.normalise.troubles import read_tickets
from pipeline.store import read
from pipeline.store.book import Book

BINS = 10
Pair = tuple[dict[str, Any], dict[str, Any]]  # a ticket's truth, and its reading


def readings(book: Path) -> tuple[dict[str, dict[str, Any]], dict[str, dict[str, Any]], float]:
    """Every ticket as first seen and as known at the end, and tickets read a second of the last time."""
    con = duckdb.connect(str(Book(book).published), read_only=True)
    rows = read.read_rows(con)
    first: dict[str, dict[str, Any]] = {}
    for at in read.received(rows, "tickets")["received_at"].unique().sort():
        assert isinstance(at, datetime)
        for row in read_tickets(read.known_at(rows, at)).to_dicts():
            first.setdefault(row["ticket_id"], row)
    last = read.known_at(rows, at)
    started = time.process_time()
    end = read_tickets(last).to_dicts()
    return first, {r["ticket_id"]: r for r in end}, len(end) / (time.process_time() - started)


def f1_by_category(pairs: list[Pair]) -> dict[str, float]:
    """F1 of each category (van Rijsbergen 1979, from memory)."""
    true, told = Counter(t["primary"] for t, _ in pairs), Counter(r["category"] for _, r in pairs)
    hits = Counter(t["primary"] for t, r in pairs if t["primary"] == r["category"])
    return {c: 2 * hits[c] / (n + told[c]) for c, n in sorted(true.items())}


def reliability(chances: list[tuple[float, bool]]) -> tuple[list[str], float, float]:
    """Lines of a reliability table, the calibration error over ten bins, and the Brier score (Brier 1950)."""
    bins: dict[int, list[tuple[float, bool]]] = defaultdict(list)
    for chance, is_right in chances:
        bins[min(BINS - 1, int(chance * BINS))].append((chance, is_right))
    lines, error = ["| said | tickets | mean said | right |", "|---|---|---|---|"], 0.0
    for i, group in sorted(bins.items()):
        said, right = sum(c for c, _ in group) / len(group), sum(ok for _, ok in group) / len(group)
        error += abs(said - right) * len(group) / len(chances)
        lines.append(f"| {i / BINS:.1f}–{(i + 1) / BINS:.1f} | {len(group)} | {said:.2f} | {right:.2f} |")
    return lines, error, sum((c - ok) ** 2 for c, ok in chances) / len(chances)


def pairs_of(groups: dict[str, str]) -> set[tuple[str, ...]]:
    """Pairs of tickets in one group."""
    members: dict[str, list[str]] = defaultdict(list)
    for ticket, group in groups.items():
        members[group].append(ticket)
    return {pair for tickets in members.values() for pair in combinations(sorted(tickets), 2)}


def chained(end: dict[str, dict[str, Any]]) -> dict[str, str]:
    """The first ticket of each ticket's chain of repeats."""
    out = {}
    for ticket in end:
        head = ticket
        while head in end and end[head]["same_as"]:
            head = end[head]["same_as"]
        out[ticket] = head
    return out


def asked_twice(truth: Sequence[dict[str, Any]]) -> set[tuple[str, ...]]:
    """Pairs of tickets that repeat one another without an event of their own, by `same_as`: a question asked again.

    To link them is neither right nor wrong as events count it.
    """
    before = {t["ticket_id"]: t for t in truth}
    heads = chained({ticket: {"same_as": t.get("same_as")} for ticket, t in before.items()})
    return pairs_of({ticket: heads[ticket] for ticket, t in before.items() if not t["event_id"]})


def scores(pairs: list[Pair]) -> list[float]:
    """What one column of the table of scores says."""
    answered = [(t, r) for t, r in pairs if r["site_id"]]
    units = [(t, r) for t, r in pairs if r["unit_id"]]
    sure = sorted(pairs, key=lambda p: -p[1]["category_confidence"])[: max(1, round(0.8 * len(pairs)))]
    f1 = f1_by_category(pairs)
    chances = [(r["category_confidence"], r["category"] == t["primary"]) for t, r in pairs]
    return [
        len(answered) / len(pairs),
        sum(t["site_id"] == r["site_id"] for t, r in answered) / max(1, len(answered)),
        sum(t["unit_id"] == r["unit_id"] for t, r in units) / max(1, len(units)),
        sum(ok for _, ok in chances) / len(pairs),
        sum(f1.values()) / len(f1),
        sum(t["primary"] == r["category"] for t, r in sure) / len(sure),
        reliability(chances)[1],
    ]


def main(book: Path, truth_path: Path) -> None:
    """Prints the report."""
    truth = pl.read_parquet(truth_path) if truth_path.suffix == ".parquet" else pl.read_csv(truth_path)
    first, end, speed = readings(book)
    known = [t for t in truth.to_dicts() if t["ticket_id"] in end]
    early, late = [(t, first[t["ticket_id"]]) for t in known], [(t, end[t["ticket_id"]]) for t in known]
    print(
        f"{len(known)} tickets, {speed:.0f} a second of processor time\n\n| | first seen | at the end |\n|---|---|---|"
    )
    names = (
        "site answered",
        "site right",
        "unit right",
        "category right",
        "macro-F1",
        "surest 80 %",
        "calibration error",
    )
    for name, one, two in zip(names, scores(early), scores(late), strict=True):
        print(f"| {name} | {one:.3f} | {two:.3f} |")
    if "event_id" in truth.columns:
        really = pairs_of({t["ticket_id"]: t["event_id"] for t in known if t["event_id"]})
        linked = pairs_of({k: v for k, v in chained(end).items() if k in {t["ticket_id"] for t in known}})
        linked -= asked_twice(known)
        both = len(really & linked)
        print(f"\nRepeats: {both} of {len(linked)} pairs linked are right, of {len(really)} true pairs.")
    for what, field, right in (("site", "site_confidence", "site_id"), ("category", "category_confidence", "primary")):
        of = [
            (r[field], r["site_id" if what == "site" else "category"] == t[right])
            for t, r in late
            if what != "site" or r["site_id"]
        ]
        lines, error, brier = reliability(of)
        print(f"\n{what}: Brier {brier:.4f}, calibration error {error:.3f}\n", *lines, sep="\n")
    wrong = Counter((t["primary"], r["category"]) for t, r in late if t["primary"] != r["category"])
    print("\n| truly | read as | tickets |\n|---|---|---|")
    print(*(f"| {a} | {b} | {n} |" for (a, b), n in wrong.most_common()), sep="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
