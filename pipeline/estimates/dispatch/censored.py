"""How long things last where some are cut short or still run: their mean length, and what is left of one that runs."""

import math
from dataclasses import dataclass, field

MOST_ROUNDS = 500  # rounds of EM; it ends by itself well before [count]
NEARLY_ENDED = 1.0  # what is expected to end sooner counts as ended [min]
CLOSE = 1e-9  # a change of the mean that ends it [min]


@dataclass
class Spells:
    """Lengths of a kind [min]: to their end, until they were cut short, and of those that run or were never closed."""

    ended: list[float] = field(default_factory=list)
    cut: list[float] = field(default_factory=list)
    running: list[float] = field(default_factory=list)


def mean_length(spells: Spells, weight: float, usual: float, left_open: float) -> float:
    """The mean length [min]: the censored likelihood's, with `weight` imagined ended spells of `usual` minutes.

    All time lived over the number of ends. A share `left_open` of spells is ended and never closed: the likelihood of
    one that runs is c + (1 - c)·e^(-u/m), and its time counts with the chance that it really runs (EM).

    Parameters
    ----------
    weight : above nought, or some spell has ended
    usual : [min]
    left_open : c, share of spells that are never closed [-]

    Source: total time on test (Epstein & Sobel 1953), its mixture with a fixed share (Berkson & Gage 1952), EM
    (Dempster, Laird & Rubin 1977); all from memory.
    """
    lived, ends = weight * usual + sum(spells.ended) + sum(spells.cut), weight + len(spells.ended)
    mean = (lived + sum(spells.running)) / ends
    for _ in range(MOST_ROUNDS):
        before, mean = mean, (lived + sum(u * chance_running(u, mean, left_open) for u in spells.running)) / ends
        if abs(mean - before) < CLOSE:
            break
    return mean


def chance_running(minutes: float, mean: float, left_open: float) -> float:
    """The chance that a spell which began so long ago, and was not closed, still runs."""
    runs = (1 - left_open) * math.exp(-minutes / mean) if mean > 0 else 0.0
    return runs / (runs + left_open) if runs + left_open > 0 else 0.0


def still_to_go(mean: float, spread: float, elapsed: float, left_open: float) -> float:
    """How much longer a spell that began `elapsed` minutes ago and is not closed will run, on average [min].

    Lengths are lognormal: one that has outlasted the mean is not about to end, as it is a long one. A share `left_open`
    of those that end is never closed, so one that began long ago is likely over; less than `NEARLY_ENDED` is nought.

    Parameters
    ----------
    mean : [min]
    spread : sd of the log of a length [-]

    Source: E[S | S > u] = m·Φ(z + s)/Φ(z), z = (ln m − s²/2 − ln u)/s: the lognormal's partial mean.
    """
    if elapsed <= 0 or mean <= 0 or spread <= 0:
        return max(0.0, mean - max(0.0, elapsed))
    z = (math.log(mean / elapsed) - spread * spread / 2) / spread
    outlasts = normal(z)
    if outlasts <= 0:
        return 0.0
    runs = outlasts / (outlasts + left_open * (1 - outlasts))
    left = (mean * normal(z + spread) / outlasts - elapsed) * runs
    return left if left >= NEARLY_ENDED else 0.0


def normal(z: float) -> float:
    """The standard normal's distribution function."""
    return math.erfc(-z / math.sqrt(2)) / 2


def mean_without(mean: float, ends: float, running: float, left_open: float) -> float:
    """The mean that the other spells give, without one that runs [min]; `ends` is what the mean was divided by."""
    return mean - running * chance_running(running, mean, left_open) / ends
