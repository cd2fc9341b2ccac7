"""How each voice of voices.csv is read without its own tickets: python tests/benchmarks/voices.py [BOOK TRUTH VOICE ...].

Without arguments: every voice of 30 tickets or more, by its texts alone. With: a book that holds the day of a voice, its
truth (as for reading.py, `primary` or `category`), and the voice to leave out, with all that a book tells beside the
text. VOICE may end in "*", for all voices that begin so.
"""

import csv
import sys
from collections import Counter
from pathlib import Path

import duckdb

from pipeline.normalise import voices, wording
from pipeline.normalise.troubles import read_text, read_tickets
from pipeline.normalise.weighing import MOST_SURE, strangeness, weigh
from pipeline.store import read
from pipeline.store.book import Book

FEWEST, BINS, SUREST = 30, 10, 0.8
HEAD = "| voice | tickets | category right | macro-F1 | surest 80 % | calibration error |\n|---|---|---|---|---|---|"
Answer = tuple[str, str, float]  # what a ticket is about, what it is read as, and how surely


def line(name: str, answers: list[Answer]) -> str:
    """A row of the table."""
    right = [true == told for true, told, _ in answers]
    true, told = Counter(a for a, _, _ in answers), Counter(b for _, b, _ in answers)
    hits = Counter(a for a, b, _ in answers if a == b)
    f1 = sum(2 * hits[c] / (n + told[c]) for c, n in true.items()) / len(true)
    order = sorted(range(len(answers)), key=lambda i: -answers[i][2])[: max(1, round(SUREST * len(answers)))]
    bins: dict[int, list[float]] = {}
    for (_, _, chance), ok in zip(answers, right, strict=True):
        bins.setdefault(min(BINS - 1, int(chance * BINS)), []).append(chance - ok)
    error = sum(abs(sum(gaps)) for gaps in bins.values()) / len(answers)
    surest = sum(right[i] for i in order) / len(order)
    return f"| {name} | {len(answers)} | {sum(right) / len(right):.3f} | {f1:.3f} | {surest:.3f} | {error:.3f} |"


def by_texts(voice: str) -> list[Answer]:
    """The answers to a voice's tickets that tell by themselves what they are about."""
    book = wording.vocabulary("", voice)
    tickets = [
        (t.category, read_text(t.text, "", book)) for t in voices.voices() if t.voice == voice and not t.is_again
    ]
    strange, out = strangeness(reading for _, reading in tickets), []
    for true, reading in tickets:
        category, _, chances, _ = weigh(reading, None, {}, None, strange)
        out.append((true, category, min(MOST_SURE, chances[category])))
    return out


def by_book(path: Path, truth: Path, voice: str) -> list[Answer]:
    """The answers to all tickets of a day, read without a voice's tickets."""
    rows = read.read_rows(duckdb.connect(str(Book(path).published), read_only=True))
    known = read.known_at(rows, read.received(rows, "tickets")["received_at"].max())  # type: ignore[arg-type]
    with truth.open(encoding="utf-8") as lines:
        true = {r["ticket_id"]: r.get("primary") or r["category"] for r in csv.DictReader(lines)}
    whole = wording.vocabulary
    wording.vocabulary = lambda own="", without=voice: whole(own, without)  # type: ignore[assignment]
    told = read_tickets(known).select("ticket_id", "category", "category_confidence").iter_rows()
    out = [(true[i], category, chance) for i, category, chance in told if i in true]
    wording.vocabulary = whole
    return out


def main(arguments: list[str]) -> None:
    """Prints the table."""
    print(HEAD)
    pooled: list[Answer] = []
    for book, truth, voice in zip(*(iter(arguments),) * 3, strict=True):
        answers = by_book(Path(book), Path(truth), voice)
        pooled += answers
        print(line(voice, answers), flush=True)
    if not arguments:
        for voice, n in Counter(told.voice for told in voices.voices() if not told.is_again).items():
            if n >= FEWEST:
                answers = by_texts(voice)
                pooled += answers
                print(line(voice, answers), flush=True)
    print(line("together", pooled))


if __name__ == "__main__":
    main(sys.argv[1:])
