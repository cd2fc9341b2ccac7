"""Fits what each thing that speaks for a category is worth: python tests/benchmarks/weighing.py [BOOK TRUTH GROUP ...].

The tickets of voices.csv are always among those fitted, each read without the tickets of its voice, or of its author
where the voice is of a set ("set A: stories": without all of set A). Three arguments a day besides: a book that holds
it, its truth (Parquet or CSV: ticket_id, primary), and the group that it is left out with. Prints Markdown: each weight
in use, beside those fitted together and `STRANGER` fitted alone; then how each group is read by weights in use, without
`STRANGER`, and by those fitted without the group. No ticket and no word of one is printed.
"""

import sys
from collections import defaultdict
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.contracts.words import TICKET_CATEGORIES
from pipeline.normalise import troubles, units, voices, weighing, wording
from pipeline.store import read
from pipeline.store.book import Book

Floats = NDArray[np.float64]
BINS, FEWEST = 10, 30
VOICE_COUNTS = 0.5  # a ticket of our own voices counts this much of one of a day or of another author: our choice
RIDGE = 0.05  # penalty on the square of a weight: our choice
WORTH = (
    "PHRASE", "PHRASE_LONGER", "LIKENESS", "BESIDE", "ASKS", "BEGINS_ASKING", "OF_ITS_KIND", "OF_ANOTHER", "POWER_OF_ONE",
)  # fmt: skip
LESS = ("LESS_SURE", "STRANGER")
NAMES = (*WORTH, *LESS)
IN_USE = np.array([getattr(weighing, name) for name in NAMES])
COLUMN = {category: i for i, category in enumerate(TICKET_CATEGORIES)}
OURS = "ours"


class Told(NamedTuple):
    """A ticket: what speaks for each category (a row by category, a column by weight), what takes away, what it is."""

    speaks: Floats
    less: Floats
    category: int


class Noted:
    """Keeps what `weighing.log_odds` was last given, while it stands in its place."""

    def __init__(self) -> None:
        self.inner, self.last = weighing.log_odds, None

    def __enter__(self) -> "Noted":
        weighing.log_odds = self.note  # type: ignore[assignment]
        return self

    def __exit__(self, *_: object) -> None:
        weighing.log_odds = self.inner

    def note(self, reading: Any, kind: Any, phrases: Any, alike: Any, beside: Any, strange: float) -> dict[str, float]:
        """`weighing.log_odds`."""
        self.last: tuple[Floats, Floats] | None = given(reading, kind, (phrases, alike, beside), strange)
        return self.inner(reading, kind, phrases, alike, beside, strange)


def given(
    reading: weighing.Reading, kind: str | None, weights: Sequence[Mapping[str, float]], strange: float
) -> tuple[Floats, Floats]:
    """What speaks for each category, and what takes away, by the names of the weights."""
    speaks = np.zeros((len(COLUMN), len(WORTH)))
    longer = float(np.log(max(weighing.BRIEF, reading.length) / weighing.BRIEF))
    for c, i in COLUMN.items():
        phrase, alike, beside = (by.get(c, 0.0) for by in weights)
        speaks[i, :4] = max(0.0, phrase), max(0.0, phrase) * longer, alike, beside
    speaks[COLUMN["procedure"], 4:6] = reading.asks
    if kind in units.TYPES and kind != "printer":
        for c, of in units.CATEGORY_TYPE.items():
            speaks[COLUMN[c], 6 if of == kind else 7] = 1.0
        speaks[COLUMN["power"], 8] = 1.0
    return speaks, np.array([longer, strange])


def of_voices() -> dict[str, list[Told]]:
    """The tickets of voices.csv that tell by themselves what they are about, by author of a set, or else by voice."""
    groups: dict[str, list[voices.Told]] = defaultdict(list)
    for told in voices.voices():
        if told.category and not told.is_again:
            groups[f"{told.voice[:5]}*" if told.voice.startswith("set ") else told.voice].append(told)
    out: dict[str, list[Told]] = defaultdict(list)
    for group, tickets in groups.items():
        book = wording.vocabulary("", group)
        strange = {}
        for voice in {told.voice for told in tickets}:
            texts = [told.text for told in tickets if told.voice == voice]
            strange[voice] = weighing.strangeness(troubles.read_text(text, "", book) for text in texts)
        for told in tickets:
            with Noted() as noted:
                weighing.weigh(troubles.read_text(told.text, "", book), None, {}, None, strange[told.voice])
            if noted.last:
                out[group if group.endswith("*") else OURS].append(Told(*noted.last, COLUMN[told.category]))
        troubles.read_text.cache_clear()
        wording.vocabulary.cache_clear()
    return out


def of_day(book: Path, truth_path: Path) -> list[Told]:
    """The tickets of a day, each as its own words are weighed at the day's end."""
    truth = pl.read_parquet(truth_path) if truth_path.suffix == ".parquet" else pl.read_csv(truth_path)
    category = dict(truth.select("ticket_id", "primary").iter_rows())
    rows = read.read_rows(duckdb.connect(str(Book(book).published), read_only=True))
    known = read.known_at(rows, read.received(rows, "tickets")["received_at"].max())  # type: ignore[arg-type]
    out, inner = list[Told](), troubles.read_ticket
    with Noted() as noted:

        def reading(ticket: dict[str, Any], *more: Any) -> dict[str, Any]:
            noted.last = None
            found = inner(ticket, *more)
            if noted.last and ticket["ticket_id"] in category:
                out.append(Told(*noted.last, COLUMN[category[ticket["ticket_id"]]]))
            return found

        troubles.read_ticket = reading
        troubles.read_tickets(known)
        troubles.read_ticket = inner
    return out


class Table(NamedTuple):
    """Tickets as arrays, and how much each counts."""

    speaks: Floats
    less: Floats
    category: NDArray[np.int64]
    counts: Floats

    def odds(self, weights: Floats) -> Floats:
        """Log odds of each category, up to a constant: a row by ticket."""
        return np.exp(-self.less @ weights[len(WORTH) :])[:, None] * (self.speaks @ weights[: len(WORTH)])


def table(groups: Mapping[str, Sequence[Told]], without: str = "") -> Table:
    """The tickets of all groups but one."""
    found = [
        (told, VOICE_COUNTS if g == OURS else 1.0) for g, tickets in groups.items() if g != without for told in tickets
    ]
    return Table(
        np.stack([t.speaks for t, _ in found]),
        np.stack([t.less for t, _ in found]),
        np.array([t.category for t, _ in found]),
        np.array([n for _, n in found]),
    )


def fitted(tickets: Table, free: Sequence[str] = NAMES) -> Floats:
    """The likeliest weights, of those named; the others as in use (a multinomial logit: McFadden 1974, from memory)."""
    open_ = np.isin(NAMES, list(free))
    rows = np.arange(len(tickets.category))

    def cost(values: Floats) -> tuple[float, Floats]:
        weights = np.where(open_, 0.0, IN_USE)
        weights[open_] = values
        z = tickets.odds(weights)
        top = z.max(axis=1, keepdims=True)
        shares = np.exp(z - top)
        total = shares.sum(axis=1)
        gap = -shares / total[:, None]
        gap[rows, tickets.category] += 1.0
        gap *= tickets.counts[:, None]
        size = np.exp(-tickets.less @ weights[len(WORTH) :])
        slope = np.concatenate(
            [np.einsum("nc,nck->k", gap * size[:, None], tickets.speaks), -((gap * z).sum(axis=1) @ tickets.less)]
        )
        likely = z[rows, tickets.category] - top[:, 0] - np.log(total)
        penalty = RIDGE * float(weights[open_] @ weights[open_])
        return penalty - float(tickets.counts @ likely), (2 * RIDGE * weights - slope)[open_]

    out = IN_USE.copy()
    out[open_] = minimize(cost, IN_USE[open_], jac=True, method="L-BFGS-B").x
    return out


def score(tickets: Table, weights: Floats) -> str:
    """Mean chance said, share right, calibration error over ten bins, and mean surprise [nats], as cells."""
    z = tickets.odds(weights)
    chances = np.exp(z - z.max(axis=1, keepdims=True))
    chances /= chances.sum(axis=1, keepdims=True)
    said, right = np.minimum(weighing.MOST_SURE, chances.max(axis=1)), chances.argmax(axis=1) == tickets.category
    bins = np.minimum(BINS - 1, (said * BINS).astype(int))
    error = sum(abs(float((said - right)[bins == i].sum())) for i in range(BINS)) / len(said)
    surprise = -np.log(chances[np.arange(len(said)), tickets.category]).mean()
    return f"{said.mean():.3f} / {right.mean():.3f} / {error:.3f} / {surprise:.3f}"


def main(arguments: Sequence[str]) -> None:
    """Prints both tables."""
    groups = dict(of_voices())
    for book, truth, group in zip(*(iter(arguments),) * 3, strict=True):
        groups.setdefault(group, []).extend(of_day(Path(book), Path(truth)))
    every = table(groups)
    together, alone = fitted(every), fitted(every, ("STRANGER",))
    print("| weight | in use | fitted | the last alone |\n|---|---|---|---|")
    print(
        *(f"| {n} | {a:.2f} | {b:.2f} | {c:.2f} |" for n, a, b, c in zip(NAMES, IN_USE, together, alone, strict=True)),
        sep="\n",
    )
    print("\nMean said / right / calibration error / surprise:\n")
    print("| group | tickets | in use | without STRANGER | fitted without the group |\n|---|---|---|---|---|")
    plain = np.where(np.array(NAMES) == "STRANGER", 0.0, IN_USE)
    for group, tickets in groups.items():
        own = table({group: tickets})
        cells = (score(own, IN_USE), score(own, plain), score(own, fitted(table(groups, group))))
        print(f"| {group} | {len(tickets)} | {' | '.join(cells)} |")


if __name__ == "__main__":
    main(sys.argv[1:])
