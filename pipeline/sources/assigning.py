"""Which of their columns is which of ours, each once, so that the whole is likeliest; pure.

Names and values give the odds of each pair (Bayes); how the rows of two columns stand in order (`opened_at` never after
`resolved_at`) speaks for or against two pairs at once.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import polars as pl
from scipy.optimize import linear_sum_assignment

from pipeline.sources.likeness import is_clerical, words
from pipeline.sources.looks import Look, Ours, Theirs
from pipeline.sources.profile import plain

# Likeness of names → probability that the columns are the same, before a value is looked at: our choice.
LIKENESS = ((0.0, 0.02), (0.5, 0.04), (0.6, 0.1), (0.7, 0.3), (0.8, 0.55), (0.9, 0.8), (1.0, 0.94))
SURE_ENOUGH = 0.55  # probability from which a column is placed: a wrong line costs more than a missing one
ASKED = 0.2  # probability from which a line is proposed as a question
OWN_NAME = 1.3  # least odds of a column called like ours: it is read as ours whether a profile says so or not
LEFT_OVER = 2.0  # likelihood ratio of values from which the only column left is taken for a required one
LEFT_ODDS = 0.4  # odds by name and values from which it is taken too
READS_ENOUGH = 0.9  # share of values an optional column must have readable: the other rows would be refused for it
CLERICAL = 0.1  # likelihood ratio of a header that a data system keeps for itself
KEYED_LATER = 0.004  # the same of times that follow another column's in every row, for when a row happened: hardly ever
# Likelihood ratios of two columns whose rows nearly all stand in order, or do not: our choice.
IN_ORDER, OUT_OF_ORDER = 2.0, 0.05
MOSTLY, RARELY = 0.97, 0.8  # shares of the rows that have both [0 to 1]
ROWS_TELL = 3  # rows with both, from which their order says something [count]
MOST_STEPS = 60  # changes tried for the better; each adds to the whole, so it ends by itself


@dataclass(frozen=True)
class Odds:
    """The odds of each of ours (rows) with each of theirs (columns), which are allowed, what their order says."""

    single: np.ndarray
    allowed: np.ndarray
    own: np.ndarray
    clerical: np.ndarray
    pairs: dict[tuple[int, int], np.ndarray]

    def beside(self, row: int, chosen: dict[int, int]) -> np.ndarray:
        """The odds of one of ours with each of theirs, beside what the others were given."""
        odds = self.single[row].copy()
        for (first, second), ratio in self.pairs.items():
            if row == first and second in chosen:
                odds *= ratio[:, chosen[second]]
            elif row == second and first in chosen:
                odds *= ratio[chosen[first]]
        return odds


def odds_of(ours: list[Ours], theirs: list[Theirs], alike: np.ndarray, looks: list[list[Look]]) -> Odds:
    """Prior odds by name x likelihood ratio of the values (Bayes), and what the order of rows says of two at once."""
    known, chance = zip(*LIKENESS, strict=True)
    prior = np.interp(alike, known, chance)
    own = np.array([[plain(t.name) == o.name for t in theirs] for o in ours])
    clerical = np.array([is_clerical(t.name) for t in theirs])
    ratios = np.array([[each.ratio for each in row] for row in looks]) * np.where(clerical, CLERICAL, 1.0)
    happened = np.array([o.form == "time" and o.is_required for o in ours])
    if happened.sum() == 1:
        ratios[happened] *= keyed_later(theirs)
    single = np.maximum(prior / (1 - prior) * ratios, own * OWN_NAME)
    shares = np.array([[each.share for each in row] for row in looks])
    strict = np.array([o.form in ("time", "number") and not o.is_required for o in ours])
    allowed = ~(strict[:, None] & (shares < READS_ENOUGH) & ~own)
    return Odds(single, allowed, own, clerical, ordered_pairs(ours, theirs))


def keyed_later(theirs: list[Theirs]) -> np.ndarray:
    """For each of theirs the likelihood ratio of its times: what is typed in after the fact is not when it happened."""
    times = [None if t.is_part_of_time else t.moments for t in theirs]
    is_later = [any(order_ratio(other, mine) == IN_ORDER for other in times) for mine in times]
    return np.where(is_later, KEYED_LATER, 1.0)


def ordered_pairs(ours: list[Ours], theirs: list[Theirs]) -> dict[tuple[int, int], np.ndarray]:
    """For two of ours whose values stand in order: the likelihood ratio of each two of theirs."""
    place = {o.name: i for i, o in enumerate(ours)}
    chains = words()["order"].get(ours[0].kind, ())
    wanted = {pair for chain in chains for pair in combinations([place[n] for n in chain], 2)}
    if not wanted:
        return {}
    found: dict[str, np.ndarray] = {}
    for form in {ours[first].form for first, _ in wanted}:
        scales = [t.moments if form == "time" else t.numbers_by_row for t in theirs]
        found[form] = np.array([[order_ratio(a, b) for b in scales] for a in scales])
    return {pair: found[ours[pair[0]].form] for pair in sorted(wanted)}


def order_ratio(first: pl.Series | None, second: pl.Series | None) -> float:
    """How the rows of two columns speak for the first never being greater; 1 where they cannot be compared."""
    if first is None or second is None or first.len() != second.len() or first is second:
        return 1.0
    if first.dtype != second.dtype:  # local times and times of the world
        return 1.0
    fits = (first <= second).drop_nulls()
    if fits.len() < ROWS_TELL or (first == second).drop_nulls().all():
        return 1.0
    share = float(fits.mean() or 0)  # type: ignore[arg-type]
    return float(np.interp(share, (RARELY, MOSTLY), (OUT_OF_ORDER, IN_ORDER)))


def assigned(odds: Odds, ours: list[Ours], looks: list[list[Look]]) -> dict[int, int]:
    """Ours → theirs, each once, so that the product of the odds is greatest; then what is left for required ones."""
    least = SURE_ENOUGH / (1 - SURE_ENOUGH)
    gain = np.where(odds.allowed & (odds.single >= least), np.log(np.maximum(odds.single, 1e-12) / least) + 0.01, 0.0)
    rows, columns = linear_sum_assignment(gain, maximize=True)
    chosen = {int(r): int(c) for r, c in zip(rows, columns, strict=True) if gain[r, c] > 0}
    chosen = bettered(odds, chosen, least)
    found = True
    while found:  # a column that finds its place may leave only one for another
        found = False
        for row, column in enumerate(ours):
            left = only_left(row, odds, looks, ours, chosen) if column.is_required and row not in chosen else None
            if left is not None:
                chosen[row], found = left, True
    return chosen


def bettered(odds: Odds, chosen: dict[int, int], least: float) -> dict[int, int]:
    """Columns moved or exchanged while that makes the whole likelier, as the order of rows speaks of two at once."""
    ordered = sorted({row for pair in odds.pairs for row in pair})
    if not ordered:
        return chosen
    logs = np.where(odds.allowed, np.log(np.maximum(odds.single, 1e-12) / least), -np.inf)
    pairs = {pair: np.log(ratio) for pair, ratio in odds.pairs.items()}

    def whole(given: dict[int, int]) -> float:
        singles = sum(logs[row, column] for row, column in given.items())
        return float(singles + sum(r[given[a], given[b]] for (a, b), r in pairs.items() if a in given and b in given))

    best = whole(chosen)
    for _ in range(MOST_STEPS):
        tried = [moved(chosen, row, to) for row in ordered for to in (None, *range(odds.single.shape[1]))]
        score, given = max(((whole(t), i) for i, t in enumerate(tried)), key=lambda s: (s[0], -s[1]))
        if score <= best + 1e-9:
            break
        best, chosen = score, tried[given]
    return chosen


def moved(chosen: dict[int, int], row: int, to: int | None) -> dict[int, int]:
    """What is chosen, with one of ours given another of theirs; who had that takes the one given up."""
    given = dict(chosen)
    before = given.pop(row, None)
    if to is None:
        return given
    holder = next((r for r, c in given.items() if c == to), None)
    if holder is not None:
        del given[holder]
        if before is not None:
            given[holder] = before
    given[row] = to
    return given


def only_left(row: int, odds: Odds, looks: list[list[Look]], ours: list[Ours], chosen: dict[int, int]) -> int | None:
    """The one column left whose values fit a required column far better than those of any other, if there is one."""
    mine = odds.beside(row, chosen)
    fits = [looks[row][c].ratio >= LEFT_OVER or mine[c] >= LEFT_ODDS for c in range(mine.size)]
    free = [c for c in range(mine.size) if c not in chosen.values() and fits[c]]
    free = [c for c in free if not odds.clerical[c]] or free
    free.sort(key=lambda c: -mine[c])
    if ours[row].form == "number" or not free or (len(free) > 1 and mine[free[0]] < 3 * mine[free[1]]):
        return None
    return free[0]


def asked(odds: Odds, chosen: dict[int, int], is_free: Callable[[int], bool]) -> Sequence[tuple[int, int, float]]:
    """Ours and theirs that may belong together, though not surely enough, each once and the likeliest first."""
    found: list[tuple[float, int, int]] = []
    free = [c for c in range(odds.single.shape[1]) if c not in chosen.values() and is_free(c)]
    for row in range(odds.single.shape[0]):
        mine = odds.beside(row, chosen)
        if row not in chosen:
            found += [
                (float(mine[c] / (1 + mine[free].sum())), row, c)
                for c in free
                if odds.allowed[row, c] and mine[c] >= ASKED / (1 - ASKED)
            ]
    out: list[tuple[int, int, float]] = []
    for sure, row, column in sorted(found, key=lambda f: (-f[0], f[1], f[2])):
        if row not in {r for r, _, _ in out} and column not in {c for _, c, _ in out}:
            out.append((row, column, sure))
    return out
