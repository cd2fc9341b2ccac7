"""Fits the weights by which a call is held to be of an earlier one: python tests/benchmarks/linkage.py BOOK TRUTH VOICE ...

Three arguments a day: a book that holds it, its truth (Parquet or CSV: ticket_id, same_as or event_id), and the voice to leave out
of the examples meanwhile ("set A*": all that begin so; "-": none). Prints Markdown: each weight by all days beside the
one in use, then each day by weights fitted on the days of other voices: how many calls are linked, and of these right.
"""

import csv
import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.normalise import linkage, wording
from pipeline.normalise.troubles import read_tickets
from pipeline.store import read
from pipeline.store.book import Book

RIDGE = 0.05  # penalty on the square of a weight, so that a thing seldom compared gets none: our choice
NAMES = list(linkage.WEIGHTS)
Floats = NDArray[np.float64]


class Call(NamedTuple):
    """A call: what it has in common with each earlier ticket of its site, and which of these are of its trouble."""

    common: Floats  # a row by ticket, a column by weight
    is_same: NDArray[np.bool_]
    is_repeat: bool


def truth_of(path: Path) -> dict[str, str]:
    """The first ticket of each ticket's trouble."""
    if path.suffix == ".parquet":
        rows: Sequence[dict[str, Any]] = pl.read_parquet(path).to_dicts()
    else:
        rows = list(csv.DictReader(path.open(encoding="utf-8")))
    firsts: dict[str, str] = {}  # of each event, by the order of its rows
    for r in rows:
        firsts.setdefault(r.get("event_id") or r["ticket_id"], r["ticket_id"])
    if any("same_as" in r for r in rows):
        before = {r["ticket_id"]: r["same_as"] for r in rows}
    else:
        heads_of = {r["ticket_id"]: firsts[r["event_id"] or r["ticket_id"]] for r in rows}
        before = {ticket: head if head != ticket else "" for ticket, head in heads_of.items()}
    heads = {}
    for ticket in before:
        head = ticket
        while before.get(head):
            head = before[head]
        heads[ticket] = head
    return heads


def calls(book: Path, truth: Path, voice: str) -> list[Call]:
    """The calls of a day, compared as they are while it is read."""
    rows = read.read_rows(duckdb.connect(str(Book(book).published), read_only=True))
    known = read.known_at(rows, read.received(rows, "tickets")["received_at"].max())  # type: ignore[arg-type]
    heads, found, left_out = truth_of(truth), list[Call](), voice.strip("-")
    in_use, whole = linkage.chances, wording.vocabulary

    def noting(rare: dict[str, float], row: dict[str, Any], earlier: Sequence[dict[str, Any]]) -> list[float]:
        if row["ticket_id"] in heads:
            head, is_repeat = heads[row["ticket_id"]], heads[row["ticket_id"]] != row["ticket_id"]
            pairs = [(linkage.compared(rare, row, o), heads.get(o["ticket_id"]) == head) for o in earlier]
            kept = [([both[n] for n in NAMES], same) for both, same in pairs if both is not None]
            common = np.array([c for c, _ in kept]).reshape(len(kept), len(NAMES))
            found.append(Call(common, np.array([same for _, same in kept], dtype=bool), is_repeat))
        return in_use(rare, row, earlier)

    linkage.chances = noting
    wording.vocabulary = lambda own="", without=left_out: whole(own, without)  # type: ignore[assignment]
    read_tickets(known)
    linkage.chances, wording.vocabulary = in_use, whole
    return found


def fitted(day: Sequence[Call]) -> Floats:
    """The likeliest weights: a conditional logit over the earlier tickets and "of none" (McFadden 1974, from memory)."""

    def cost(weights: Floats) -> tuple[float, Floats]:
        total, slope = RIDGE * float(weights[1:] @ weights[1:]), 2 * RIDGE * weights
        slope[0] = 0.0
        for call in day:
            sums = call.common @ weights
            top = max(0.0, float(sums.max(initial=0.0)))
            shares = np.exp(sums - top)
            every = float(shares.sum()) + math.exp(-top)
            right = shares * call.is_same if call.is_same.any() else None
            total += math.log(every) + top
            slope += call.common.T @ (shares / every)
            if right is not None:
                total -= math.log(max(1e-300, float(right.sum()))) + top
                slope -= call.common.T @ (right / max(1e-300, float(right.sum())))
        return total, slope

    return np.asarray(minimize(cost, np.zeros(len(NAMES)), jac=True, method="L-BFGS-B").x)


def score(day: Sequence[Call], weights: Floats) -> tuple[int, int, int]:
    """Calls linked, those linked rightly, and those that are repeats, by these weights alone."""
    told = right = 0
    for call in day:
        odds = np.exp(call.common @ weights)
        if len(odds) and odds.max() / (1 + odds.sum()) >= linkage.LIKELY:
            told += 1
            right += bool(call.is_same[int(odds.argmax())])
    return told, right, sum(call.is_repeat for call in day)


def main(arguments: Sequence[str]) -> None:
    """Prints both tables."""
    days = [(b, v, calls(Path(b), Path(t), v)) for b, t, v in zip(*(iter(arguments),) * 3, strict=True)]
    weights = fitted([call for _, _, day in days for call in day])
    print("| compared | in use | fitted |\n|---|---|---|")
    print(*(f"| {n} | {linkage.WEIGHTS[n]} | {w:.3f} |" for n, w in zip(NAMES, weights, strict=True)), sep="\n")
    print("\n| day | voice left out | linked | right | repeats |\n|---|---|---|---|---|")
    by_voice = {v: fitted([c for _, o, day in days if o != v for c in day]) for v in sorted({v for _, v, _ in days})}
    for book, voice, day in days:
        told, right, repeats = score(day, by_voice[voice])
        print(f"| {Path(book).name} | {voice} | {told} | {right} | {repeats} |")


if __name__ == "__main__":
    main(sys.argv[1:])
