"""The search behind a plan: cheapest insertion and local search over what every need loses until it is mended.

Method: cheapest insertion in the order of the index rule, in a small county once more in the reverse order, then
relocation, exchange, shifts and reversals until none gains. Moves are tried between neighbours alone once a county is
large, and their number is bounded by counts, never by the clock: the same scene gives the same plan on any machine. Why
latency: Bertsimas & Van Ryzin 1991, 1993 (the dynamic travelling repairman); why cost that grows: Van Mieghem 1995,
Mandelbaum & Stolyar 2004.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from itertools import permutations

import numpy as np

from pipeline.estimates.dispatch import moves
from pipeline.estimates.dispatch.scene import Order, Scene, index
from pipeline.estimates.dispatch.tables import SMALL, tables_of

MOST_PASSES = 30  # rounds of local search; it stops by itself well before [count]
WARM_PASSES = 1  # rounds from an earlier plan in a large county: the next plan comes in minutes [count]
MOST_PERMUTED = 5  # committed stops whose order is tried out in full: 120 orders [count]
MOST_RESTARTED = 60  # needs for which the search is run a second time from another start [count]; our choice


class Search:
    """The orders in the making."""

    def __init__(self, scene: Scene, allowed: Sequence[Collection[int]]) -> None:
        self.scene = scene
        self.tables = tables_of(scene, allowed)
        unvisited = scene.settings["dispatch.unvisited_minutes"]
        least = scene.settings["dispatch.least_saving"]  # nobody crosses the county for next to nothing
        missed = [self.loss(n, unvisited + need.visit_minutes) - least for n, need in enumerate(scene.needs)]
        self.tables.needs["missed"] = missed

    @property
    def orders(self) -> list[Order]:
        """Each rover's stops so far."""
        t = self.tables
        return [t.orders[r, :length].tolist() for r, length in enumerate(t.rovers["length"].tolist())]

    @property
    def costs(self) -> list[float]:
        """What the needs of each rover's order lose."""
        costs: list[float] = self.tables.rovers["cost"].tolist()
        return costs

    def loss(self, need: int, minutes: float) -> float:
        """What the plan holds against mending a need so many minutes after T."""
        return moves.loss(self.tables.terms, self.tables.needs, need, minutes)

    def missed(self, need: int) -> float:
        """What it costs to leave a need out."""
        return float(self.tables.needs["missed"][need])

    def total(self) -> float:
        """What the whole plan loses, needs left out included."""
        needs = self.tables.needs
        return sum(self.costs) + sum(needs["missed"][needs["holder"] < 0].tolist())

    def cost(self, rover: int, order: Order) -> float:
        """What the needs of one rover's order lose; infinite if its shift ends before."""
        return moves.cost(self.tables, rover, np.array(order, np.int64), len(order), math.inf)

    def put(self, rover: int, order: Order) -> None:
        """Gives a rover an order."""
        moves.put(self.tables, rover, np.array(order, np.int64), len(order))

    def commit(self, rover: int, needs: Order) -> None:
        """Keeps the stops that a rover was already given: first, the one it drives to; the rest in their best order."""
        head = needs[:1] if needs[0] in self.scene.under_way else []
        head = list(needs[: max(len(head), self.scene.pinned.get(rover, 0))])
        rest = needs[len(head) :]
        self.tables.rovers["fixed"][rover] = len(needs)
        tried = [head + list(p) for p in permutations(rest)] if len(rest) <= MOST_PERMUTED else [needs]
        self.put(rover, min(tried, key=lambda order: (self.cost(rover, order), order)))

    def begin_with(self, start: Sequence[Order]) -> None:
        """Takes over what may be of an earlier plan; what came from it counts as tried."""
        t = self.tables
        for rover, order in enumerate(start):
            kept = [n for n in order if t.needs["holder"][n] < 0 and t.allowed[n, rover]]
            ahead = t.orders[rover, : t.rovers["length"][rover]].tolist() + kept
            if kept and self.cost(rover, ahead) < math.inf:
                self.put(rover, ahead)
        t.tried[:] = t.rovers["tried"] = t.moves[0]


def plan(
    scene: Scene,
    allowed: Sequence[Collection[int]],
    committed: Mapping[int, Order],
    start: Sequence[Order] | None = None,
) -> list[Order]:
    """Each rover's stops in order, as positions in `scene.needs`.

    Parameters
    ----------
    scene : rovers, needs and drives
    allowed : for each need, the rovers (positions) that may take it
    committed : by rover, the needs that it has already been given, the one it drives to first
    start : an earlier plan to begin with, in positions of this scene; without it the plan is made from nothing
    """
    taken = {need for needs in committed.values() for need in needs}
    free = [n for n in range(len(scene.needs)) if n not in taken]
    if start is not None:
        held = {need for order in start for need in order}
        new = [n for n in free if n not in held]
        ranked = [*(best_first(scene, new) if new else []), *(n for n in free if n in held)]
        return searched(scene, allowed, committed, ranked, start).orders
    first = best_first(scene, free)
    starts = [first, first[::-1]] if len(free) <= MOST_RESTARTED else [first]
    found = [searched(scene, allowed, committed, order) for order in starts]
    return min(found, key=lambda search: search.total()).orders


def best_first(scene: Scene, needs: Sequence[int]) -> list[int]:
    """Needs in the order of the index rule."""
    if not scene.rovers or not needs:
        return list(needs)
    some = replace(scene, needs=[scene.needs[n] for n in needs], minutes=scene.minutes[:, needs])
    rank = index(some).max(axis=0)
    return [n for _, n in sorted(zip((-rank).tolist(), needs, strict=True))]


def searched(
    scene: Scene,
    allowed: Sequence[Collection[int]],
    committed: Mapping[int, Order],
    free: Sequence[int],
    start: Sequence[Order] | None = None,
) -> Search:
    """One search: the committed stops, the stops driven to, the free needs put in in this order, then local search."""
    search = Search(scene, allowed)
    for rover, needs in sorted(committed.items()):
        search.commit(rover, list(needs))
    if not scene.rovers:
        return search
    if start is not None:
        search.begin_with(start)
    t = search.tables
    for need, rover in sorted(scene.drivers.items()):
        if t.needs["holder"][need] < 0 and not t.rovers["length"][rover]:
            search.put(rover, [need])
    moves.improve(
        t, np.array(free, np.int64), MOST_PASSES if start is None or len(scene.rovers) <= SMALL else WARM_PASSES
    )
    return search
