"""Which rover makes which stops in what order: least weighted latency, by insertion and local search.

The cost of a plan is the sum of what every need loses until it is mended (needs.Need.lost), so a trouble that grows
is reached first, a rover that is nearly done is waited for where that is cheaper, and nobody is left to the last for
ever: waiting beyond the soft cap counts more. Method: cheapest insertion in the order of the index rule, and once more
in the reverse order, then relocation, exchange, shifts and reversals until none gains; deterministic. Why latency:
Bertsimas & Van Ryzin 1991, 1993 (the dynamic travelling repairman); why cost that grows: Van Mieghem 1995,
Mandelbaum & Stolyar 2004.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from pipeline.estimates.dispatch.needs import Need
from pipeline.estimates.dispatch.rovers import Rover

NEAR_ROVERS = 12  # rovers tried for one need, those that could be there first [count]; our choice, for speed
MOST_PASSES = 30  # rounds of local search; it stops by itself well before [count]
MOST_PERMUTED = 5  # committed stops whose order is tried out in full: 120 orders [count]
MOST_RESTARTED = 60  # needs for which the search is run a second time from another start [count]; our choice
GAIN = 1e-9  # a move has to save more than rounding error [voter-minutes]

Order = list[int]


@dataclass(frozen=True)
class Leg:
    """One stop of a rover: when it leaves, arrives and is done, in minutes from T."""

    need: int
    leave: float
    arrive: float
    done: float


@dataclass(frozen=True)
class Scene:
    """Everything a plan is judged by.

    `minutes` holds the drives: a row for each rover's place, then one for each need's site; a column for each need.
    `under_way` holds, by need, when the rover already driving there should arrive [min from T].
    """

    rovers: Sequence[Rover]
    needs: Sequence[Need]
    minutes: NDArray[np.float64]
    settings: Mapping[str, float]
    under_way: Mapping[int, float]

    def legs(self, rover: int, order: Sequence[int]) -> list[Leg]:
        """A rover's stops in this order, with their times."""
        who, node, clock, legs = self.rovers[rover], rover, self.rovers[rover].free_at, []
        for place, need in enumerate(order):
            if place == 0 and need in self.under_way:
                leave, arrive = 0.0, self.under_way[need]
            else:
                leave = who.leaves(clock)
                arrive = leave + float(self.minutes[node, need])
            clock = arrive + self.needs[need].visit_minutes
            node = len(self.rovers) + need
            legs.append(Leg(need, leave, arrive, clock))
        return legs


def index(scene: Scene) -> NDArray[np.float64]:
    """The index rule, rover by need: what mending it now rather than H later saves, by minute of work squared.

    q·[EC(a_c+H) − EC(a_c)] / (H·(τ+s)²), a_c the age when mended, τ the drive, s the visit, H `index_horizon_minutes`.
    """
    horizon = scene.settings["dispatch.index_horizon_minutes"]
    found = np.zeros((len(scene.rovers), len(scene.needs)))
    for r, rover in enumerate(scene.rovers):
        for n, need in enumerate(scene.needs):
            work = float(scene.minutes[r, n]) + need.visit_minutes
            start = rover.free_at + work
            found[r, n] = (need.lost(start + horizon) - need.lost(start)) / (horizon * max(work, 1.0) ** 2)
    return found


def loss_functions(scene: Scene) -> list[Callable[[float], float]]:
    """For each need, what it loses if it is mended so many minutes after T, the soft cap on waiting included."""
    cap, people = scene.settings["dispatch.soft_cap_minutes"], scene.settings["dispatch.soft_cap_people"]

    def loss(need: Need) -> Callable[[float], float]:
        chance, cost, age, before = need.chance, need.cost, need.age, need.cost(need.age)
        return lambda t: chance * (cost(age + t) - before + people * max(0.0, age + t - cap))

    return [loss(need) for need in scene.needs]


class Search:
    """The state of one search: the orders so far, what each costs, and the moves that better them."""

    def __init__(self, scene: Scene, allowed: Sequence[Sequence[int]]) -> None:
        self.scene, self.allowed = scene, allowed
        self.drive: list[list[float]] = scene.minutes.tolist()
        self.loss = loss_functions(scene)
        self.visit = [need.visit_minutes for need in scene.needs]
        unvisited = scene.settings["dispatch.unvisited_minutes"]
        least = scene.settings["dispatch.least_saving"]  # nobody crosses the county for next to nothing
        self.missed = [loss(unvisited + visit) - least for loss, visit in zip(self.loss, self.visit, strict=True)]
        self.orders: list[Order] = [[] for _ in scene.rovers]
        self.fixed = [0] * len(scene.rovers)
        self.costs = [0.0] * len(scene.rovers)

    def cost(self, rover: int, order: Sequence[int]) -> float:
        """What the needs of one rover's order lose; infinite if it ends its shift before it arrives at a free one."""
        who, node, clock, total = self.scene.rovers[rover], rover, self.scene.rovers[rover].free_at, 0.0
        first, fixed, base = self.scene.under_way, self.fixed[rover], len(self.scene.rovers)
        for place, need in enumerate(order):
            if place == 0 and need in first:
                clock = first[need]
            else:
                clock = (who.leaves(clock) if who.breaks else clock) + self.drive[node][need]
            if place >= fixed and clock >= who.off_shift:
                return math.inf
            clock += self.visit[need]
            total += self.loss[need](clock)
            node = base + need
        return total

    def total(self) -> float:
        """What all needs lose by the plan so far, those left out included."""
        made = {need for order in self.orders for need in order}
        return sum(self.costs) + sum(missed for need, missed in enumerate(self.missed) if need not in made)

    def put(self, rover: int, order: Order) -> None:
        """Gives a rover this order."""
        self.orders[rover], self.costs[rover] = order, self.cost(rover, order)

    def commit(self, rover: int, needs: Order) -> None:
        """Keeps the stops that a rover was already given: first, the one it drives to; the rest in their best order."""
        head = needs[:1] if needs[0] in self.scene.under_way else []
        rest = needs[len(head) :]
        self.fixed[rover] = len(needs)
        tried = [head + list(p) for p in permutations(rest)] if len(rest) <= MOST_PERMUTED else [needs]
        self.put(rover, min(tried, key=lambda order: (self.cost(rover, order), order)))

    def near(self, need: int) -> list[int]:
        """The rovers worth trying for a need: those that could be there first."""
        who = self.allowed[need]
        if len(who) <= NEAR_ROVERS:
            return list(who)
        return sorted(who, key=lambda r: (self.scene.rovers[r].free_at + self.drive[r][need], r))[:NEAR_ROVERS]

    def best_place(self, need: int, without: Sequence[Order] | None = None) -> tuple[float, int, Order]:
        """Where a need costs least: what it adds, the rover and its new order; rover -1 to leave it out."""
        orders = self.orders if without is None else without
        best: tuple[float, int, Order] = (self.missed[need], -1, [])
        for rover in self.near(need):
            old = orders[rover]
            before = self.costs[rover] if old is self.orders[rover] else self.cost(rover, old)
            for place in range(self.fixed[rover], len(old) + 1):
                order = [*old[:place], need, *old[place:]]
                added = self.cost(rover, order) - before
                if added < best[0] - GAIN:
                    best = (added, rover, order)
        return best

    def insert(self, needs: Sequence[int]) -> None:
        """Puts needs in one after the other, each where it costs least."""
        for need in needs:
            _, rover, order = self.best_place(need)
            if rover >= 0:
                self.put(rover, order)

    def relocate(self, need: int) -> bool:
        """Moves one need to a better place, in or out of the plan."""
        rover = next((r for r, order in enumerate(self.orders) if need in order[self.fixed[r] :]), -1)
        orders, now = list(self.orders), self.missed[need]
        if rover >= 0:
            orders[rover] = [n for n in self.orders[rover] if n != need]
            now = self.costs[rover] - self.cost(rover, orders[rover])
        added, to, order = self.best_place(need, orders)
        if added >= now - GAIN:
            return False
        if rover >= 0:
            self.put(rover, orders[rover])
        if to >= 0:
            self.put(to, order)
        return True

    def reverse(self, rover: int) -> bool:
        """Turns a stretch of one rover's order round, where that gains."""
        order, fixed = self.orders[rover], self.fixed[rover]
        for i in range(fixed, len(order) - 1):
            for j in range(i + 2, len(order) + 1):
                turned = order[:i] + order[i:j][::-1] + order[j:]
                if self.cost(rover, turned) < self.costs[rover] - GAIN:
                    self.put(rover, turned)
                    return True
        return False

    def shift(self, rover: int) -> bool:
        """Moves a stretch of two or three stops to another place of one rover's order, either way round."""
        order, fixed = self.orders[rover], self.fixed[rover]
        for size in (2, 3):
            for i in range(fixed, len(order) - size + 1):
                part, rest = order[i : i + size], order[:i] + order[i + size :]
                for j in range(fixed, len(rest) + 1):
                    for piece in (part, part[::-1]):
                        moved = rest[:j] + piece + rest[j:]
                        if moved != order and self.cost(rover, moved) < self.costs[rover] - GAIN:
                            self.put(rover, moved)
                            return True
        return False

    def exchange(self, one: int, other: int) -> bool:
        """Exchanges a need of one rover with one of another, or two tails, where that gains."""
        a, b = self.orders[one], self.orders[other]
        now = self.costs[one] + self.costs[other] - GAIN
        for i in range(self.fixed[one], len(a) + 1):
            for j in range(self.fixed[other], len(b) + 1):
                pairs = [(a[:i] + b[j:], b[:j] + a[i:])]
                if i < len(a) and j < len(b):
                    pairs.append(([*a[:i], b[j], *a[i + 1 :]], [*b[:j], a[i], *b[j + 1 :]]))
                for p, q in pairs:
                    if self.fits(one, p) and self.fits(other, q) and self.cost(one, p) + self.cost(other, q) < now:
                        self.put(one, p)
                        self.put(other, q)
                        return True
        return False

    def fits(self, rover: int, order: Order) -> bool:
        """Whether a rover may make all the stops of an order that are not its own already."""
        return all(rover in self.allowed[need] for need in order[self.fixed[rover] :])

    def improve(self, free: Sequence[int]) -> None:
        """Local search until no move gains."""
        many = len(self.orders) > NEAR_ROVERS
        for _ in range(MOST_PASSES):
            gained = sum(self.relocate(need) for need in free)
            gained += sum(self.reverse(r) for r, order in enumerate(self.orders) if len(order) > 2)
            gained += sum(self.shift(r) for r, order in enumerate(self.orders) if len(order) > 3)
            busy = [r for r, order in enumerate(self.orders) if order]
            if not many:
                gained += sum(self.exchange(a, b) for a in busy for b in range(len(self.orders)) if a != b)
            if not gained:
                return


def plan(scene: Scene, allowed: Sequence[Sequence[int]], committed: Mapping[int, Order]) -> list[Order]:
    """Each rover's stops in order, as positions in `scene.needs`.

    Parameters
    ----------
    scene : rovers, needs and drives
    allowed : for each need, the rovers (positions) that may take it
    committed : by rover, the needs that it has already been given, the one it drives to first
    """
    taken = {need for needs in committed.values() for need in needs}
    free = [n for n in range(len(scene.needs)) if n not in taken]
    rank = index(scene).max(axis=0) if scene.rovers and free else np.zeros(len(scene.needs))
    best_first = sorted(free, key=lambda n: (-rank[n], n))
    starts = [best_first, best_first[::-1]] if len(free) <= MOST_RESTARTED else [best_first]
    found = [searched(scene, allowed, committed, start) for start in starts]
    return min(found, key=lambda search: search.total()).orders


def searched(
    scene: Scene, allowed: Sequence[Sequence[int]], committed: Mapping[int, Order], free: Sequence[int]
) -> Search:
    """One search: the committed stops, the free needs put in in this order, then local search."""
    search = Search(scene, allowed)
    for rover, needs in sorted(committed.items()):
        search.commit(rover, list(needs))
    if scene.rovers:
        search.insert(free)
        search.improve(free)
    return search
