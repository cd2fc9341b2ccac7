"""Mean lengths of what ends at its own rate, where some are cut short or still run: exponential, right-censored."""

import math
from dataclasses import dataclass, field

MOST_ROUNDS = 500  # rounds of EM; it ends by itself well before [count]
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


def mean_without(mean: float, ends: float, running: float, left_open: float) -> float:
    """The mean that the other spells give, without one that runs [min]; `ends` is what the mean was divided by."""
    return mean - running * chance_running(running, mean, left_open) / ends
