"""The search behind a plan: cheapest insertion and local search over what every need loses until it is mended.

Method: cheapest insertion in the order of the index rule, in a small county once more in the reverse order, then
relocation, exchange, shifts and reversals until none gains. Moves are tried between neighbours alone once a county is
large, and their number is bounded by counts, never by the clock: the same scene gives the same plan on any machine. Why
latency: Bertsimas & Van Ryzin 1991, 1993 (the dynamic travelling repairman); why cost that grows: Van Mieghem 1995,
Mandelbaum & Stolyar 2004.
"""

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from pipeline.estimates.dispatch.scene import Order, Scene, index, loss_functions

NEAR_ROVERS = 5  # rovers tried for one need in a large county, those that could be there first [count]; our choice
NEAR_NEEDS = 5  # and those that go to the places nearest to it [count]; our choice
SMALL = 12  # rovers up to which everything is tried with everything [count]; our choice
MOST_PASSES = 30  # rounds of local search; it stops by itself well before [count]
WARM_PASSES = 1  # rounds from an earlier plan in a large county: the next plan comes in minutes [count]
MOST_PERMUTED = 5  # committed stops whose order is tried out in full: 120 orders [count]
MOST_RESTARTED = 60  # needs for which the search is run a second time from another start [count]; our choice
GAIN = 1e-9  # a move has to save more than rounding error [voter-minutes]


def smallest(values: NDArray[np.float64], count: int) -> list[list[int]]:
    """The columns of the least values of each row, least first."""
    if count <= 0:
        return [[] for _ in values]
    found = np.argpartition(values, min(count, values.shape[1] - 1), axis=1)[:, :count]
    found.sort(axis=1)
    order = np.argsort(np.take_along_axis(values, found, axis=1), axis=1, kind="stable")
    nearest: list[list[int]] = np.take_along_axis(found, order, axis=1).tolist()
    return nearest


class Search:
    """One search: the orders so far, when each stop is done, what it loses, and the moves that better them."""

    def __init__(self, scene: Scene, allowed: Sequence[Sequence[int]]) -> None:
        self.scene = scene
        rovers, needs = scene.rovers, scene.needs
        self.base = len(rovers)
        sets: dict[int, set[int]] = {}  # many needs share one list
        self.allowed = [sets.setdefault(id(who), set()) or sets[id(who)] for who in allowed]
        for who in allowed:
            if not sets[id(who)]:
                sets[id(who)].update(who)
        self.drive: list[list[float]] = scene.minutes.tolist()
        self.loss: list[Callable[[float], float]] = loss_functions(scene)
        self.visit = [need.visit_minutes for need in needs]
        self.free_at, self.off = [r.free_at for r in rovers], [r.off_shift for r in rovers]
        self.breaks = [r.leaves if r.breaks else None for r in rovers]
        unvisited = scene.settings["dispatch.unvisited_minutes"]
        least = scene.settings["dispatch.least_saving"]  # nobody crosses the county for next to nothing
        self.missed = [loss(unvisited + visit) - least for loss, visit in zip(self.loss, self.visit, strict=True)]
        self.target = {rover: need for need, rover in scene.drivers.items()}  # where a rover drives to, by rover
        self.switch = scene.settings["dispatch.switching_cost"]
        self.fixed = [0] * len(rovers)
        self.orders: list[Order] = [[] for _ in rovers]
        self.done: list[list[float]] = [[] for _ in rovers]
        self.lost: list[list[float]] = [[] for _ in rovers]
        self.costs = [self.switch if r in self.target else 0.0 for r in range(len(rovers))]
        self.holder = [-1] * len(needs)
        self.moves = 0  # moves made so far; what has been tried since the last change near it is not tried again
        self.changed = [0] * len(rovers)
        self.tried: dict[tuple[str, int, int], int] = {}
        self.begun = -1  # what came from an earlier plan counts as tried: moves made by then
        self.near, self.beside = self.neighbours(allowed)

    def neighbours(self, allowed: Sequence[Sequence[int]]) -> tuple[list[list[int]], list[list[int]]]:
        """For each need, the rovers that could be there first, and the needs nearest to it."""
        scene, count = self.scene, len(self.scene.needs)
        if not count or not self.base:
            return [[] for _ in range(count)], [[] for _ in range(count)]
        apart = scene.minutes[self.base :] + scene.minutes[self.base :].T
        np.fill_diagonal(apart, math.inf)
        beside = smallest(apart, min(NEAR_NEEDS, count - 1))
        if self.base <= SMALL:
            return [sorted(who) for who in allowed], beside
        reach = (scene.minutes[: self.base] + np.array(self.free_at)[:, None]).T
        masks: dict[int, NDArray[np.bool_]] = {}
        for n, who in enumerate(allowed):
            if len(who) < self.base:
                if id(who) not in masks:
                    masks[id(who)] = np.isin(np.arange(self.base), list(who))
                reach[n, ~masks[id(who)]] = math.inf
        near = smallest(reach, NEAR_ROVERS)
        return [[r for r in row if r in self.allowed[n]] for n, row in enumerate(near)], beside

    def total(self) -> float:
        """What the whole plan loses, needs left out included."""
        left_out = sum(missed for missed, holder in zip(self.missed, self.holder, strict=True) if holder < 0)
        return sum(self.costs) + left_out

    def arrive(self, rover: int, place: int, node: int, need: int, clock: float) -> float:
        """When a rover that is free at `clock` arrives at its stop number `place`."""
        if place == 0 and self.target.get(rover) == need:
            return self.scene.under_way[need]
        leaves = self.breaks[rover]
        return (leaves(clock) if leaves else clock) + self.drive[node][need]

    def walked(self, rover: int, order: Sequence[int]) -> tuple[float, list[float], list[float]]:
        """Cost of one rover's order, when each stop is done and what it loses; infinite if its shift ends before."""
        node, clock, total = rover, self.free_at[rover], 0.0
        fixed, off = self.fixed[rover], self.off[rover]
        done: list[float] = []
        lost: list[float] = []
        if rover in self.target and (not order or order[0] != self.target[rover]):
            total = self.switch
        for place, need in enumerate(order):
            clock = self.arrive(rover, place, node, need, clock)
            if clock >= off and place >= fixed and self.target.get(rover) != need:
                return math.inf, done, lost
            clock += self.visit[need]
            loss = self.loss[need](clock)
            total += loss
            done.append(clock)
            lost.append(loss)
            node = self.base + need
        return total, done, lost

    def cost(self, rover: int, order: Sequence[int]) -> float:
        """What the needs of one rover's order lose."""
        return self.walked(rover, order)[0]

    def put(self, rover: int, order: Order) -> None:
        """Gives a rover an order."""
        for need in self.orders[rover]:
            if self.holder[need] == rover:
                self.holder[need] = -1
        for need in order:
            self.holder[need] = rover
        self.orders[rover] = order
        self.moves += 1
        self.changed[rover] = self.moves
        self.costs[rover], self.done[rover], self.lost[rover] = self.walked(rover, order)

    def commit(self, rover: int, needs: Order) -> None:
        """Keeps the stops that a rover was already given: first, the one it drives to; the rest in their best order."""
        head = needs[:1] if needs[0] in self.scene.under_way else []
        head = list(needs[: max(len(head), self.scene.pinned.get(rover, 0))])
        rest = needs[len(head) :]
        self.fixed[rover] = len(needs)
        tried = [head + list(p) for p in permutations(rest)] if len(rest) <= MOST_PERMUTED else [needs]
        self.put(rover, min(tried, key=lambda order: (self.cost(rover, order), order)))

    def best_place(self, rover: int, need: int, limit: float) -> tuple[float, int]:
        """What a need adds to a rover's order where it adds least, and the place; -1 if it is not below `limit`."""
        order, done, lost, off = self.orders[rover], self.done[rover], self.lost[rover], self.off[rover]
        leaves, target = self.breaks[rover], self.target.get(rover)
        drive, visit, loss, base = self.drive, self.visit, self.loss, self.base
        length, found = len(order), -1
        for place in range(self.fixed[rover], length + 1):
            if place:
                clock, node = done[place - 1], base + order[place - 1]
            else:
                clock, node = self.free_at[rover], rover
            if place == 0 and target is not None:
                clock = self.arrive(rover, 0, rover, need, clock)
                # the rest may come sooner or later than now: walk it all
                if need != target and clock >= off:
                    continue
                added = self.cost(rover, [need, *order]) - self.costs[rover]
                if added < limit - GAIN:
                    limit, found = added, place
                continue
            clock = (leaves(clock) if leaves else clock) + drive[node][need]
            if clock >= off:
                continue
            clock += visit[need]
            added = loss[need](clock)
            if added >= limit:
                break  # later in the order it would only be later
            before = need
            for later in range(place, length):
                if added >= limit:
                    break
                after = order[later]
                clock = (leaves(clock) if leaves else clock) + drive[base + before][after]
                if clock >= off:
                    added = math.inf
                    break
                clock += visit[after]
                added += loss[after](clock) - lost[later]
                before = after
            if added < limit - GAIN:
                limit, found = added, place
        return limit, found

    def candidates(self, need: int) -> Iterable[int]:
        """The rovers worth trying for a need: those that could be there first, and those that go to places near by."""
        if self.base <= SMALL:
            return self.near[need]
        who, found = self.allowed[need], dict.fromkeys(self.near[need])
        for beside in self.beside[need]:
            rover = self.holder[beside]
            if rover >= 0 and rover in who:
                found[rover] = None
        return found

    def insert(self, need: int) -> None:
        """Puts a need in where it costs least, or leaves it out."""
        limit, rover, place = self.missed[need], -1, -1
        for who in self.candidates(need):
            limit, at = self.best_place(who, need, limit)
            if at >= 0:
                rover, place = who, at
        if rover >= 0:
            order = self.orders[rover]
            self.put(rover, [*order[:place], need, *order[place:]])

    def relocate(self, need: int) -> bool:
        """Moves one need to a better place, in or out of the plan."""
        rover = self.holder[need]
        if rover < 0:
            self.insert(need)
            return self.holder[need] >= 0
        old = self.orders[rover]
        if need in old[: self.fixed[rover]]:
            return False
        before, stamp = self.costs[rover], self.changed[rover]
        self.put(rover, [n for n in old if n != need])
        saved = before - self.costs[rover]
        self.missed[need], kept = min(self.missed[need], saved), self.missed[need]
        self.insert(need)
        self.missed[need] = kept
        if self.holder[need] < 0:
            if saved > kept + GAIN:
                return True  # better left out
            self.put(rover, old)
            self.changed[rover] = stamp
            return False
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

    def is_news(self, move: str, one: int, other: int, rovers: Iterable[int]) -> bool:
        """Whether one of these rovers' orders has changed since this move was last tried; it counts as tried now."""
        key = (move, one, other)
        last = self.tried.get(key, -1 if move == "relocate" else self.begun)
        self.tried[key] = self.moves
        return any(self.changed[r] > last for r in rovers)

    def exchange(self, one: int, other: int) -> bool:
        """Exchanges a need of one rover with one of another, or two tails, where that gains."""
        for i in range(self.fixed[one], len(self.orders[one]) + 1):
            for j in range(self.fixed[other], len(self.orders[other]) + 1):
                if self.swap(one, i, other, j):
                    return True
        return False

    def swap(self, one: int, i: int, other: int, j: int) -> bool:
        """Exchanges two tails, or two single stops, where that gains."""
        a, b = self.orders[one], self.orders[other]
        now = self.costs[one] + self.costs[other] - GAIN
        pairs = [(b[j:], a[i:])]
        if i < len(a) and j < len(b):
            pairs.append(([b[j], *a[i + 1 :]], [a[i], *b[j + 1 :]]))
        for p, q in pairs:
            if not self.fits(one, p) or not self.fits(other, q):
                continue
            first = self.with_tail(one, i, p, now)
            if first < now and first + self.with_tail(other, j, q, now - first) < now:
                self.put(one, a[:i] + p)
                self.put(other, b[:j] + q)
                return True
        return False

    def swap_near(self, need: int) -> bool:
        """Exchanges between the rover of a need and those of the needs nearest to it, and the idle rovers near by."""
        gained = False
        for beside in self.beside[need]:
            one, other = self.holder[need], self.holder[beside]
            if one < 0 or other < 0 or one == other or not self.is_news("swap", need, beside, (one, other)):
                continue
            i, j = self.orders[one].index(need), self.orders[other].index(beside)
            if i >= self.fixed[one] and j >= self.fixed[other]:
                gained |= self.swap(one, i, other, j) or self.swap(one, i + 1, other, j)
        return gained

    def with_tail(self, rover: int, place: int, tail: Order, limit: float) -> float:
        """What a rover's order costs with another tail from `place` on; infinite above `limit`."""
        order = self.orders[rover]
        if rover in self.target or place == 0:
            return self.cost(rover, order[:place] + tail)
        lost, leaves, off, base = self.lost[rover], self.breaks[rover], self.off[rover], self.base
        total, clock, node = sum(lost[:place]), self.done[rover][place - 1], base + order[place - 1]
        for need in tail:
            clock = (leaves(clock) if leaves else clock) + self.drive[node][need]
            if clock >= off:
                return math.inf
            clock += self.visit[need]
            total += self.loss[need](clock)
            if total >= limit:
                return math.inf
            node = base + need
        return total

    def fits(self, rover: int, order: Order) -> bool:
        """Whether a rover may make all these stops."""
        return all(rover in self.allowed[need] for need in order)

    def improve(self, free: Sequence[int], most: int = MOST_PASSES) -> None:
        """Local search until no move gains, or for `most` rounds."""
        for _ in range(most):
            gained = 0
            for need in free:
                where = [*self.candidates(need), self.holder[need]] if self.holder[need] >= 0 else self.candidates(need)
                if self.is_news("relocate", need, need, where):
                    gained += self.relocate(need)
            for rover, order in enumerate(self.orders):
                if len(order) > 2 and self.is_news("turn", rover, rover, (rover,)):
                    gained += self.reverse(rover) + (len(order) > 3 and self.shift(rover))
            if self.base > SMALL:
                gained += sum(self.swap_near(need) for need in free)
            else:
                busy = [r for r, order in enumerate(self.orders) if len(order) > self.fixed[r]]
                pairs = [(a, b) for a in busy for b in range(self.base) if a != b]
                gained += sum(self.is_news("exchange", a, b, (a, b)) and self.exchange(a, b) for a, b in pairs)
            if not gained:
                return


def plan(
    scene: Scene,
    allowed: Sequence[Sequence[int]],
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
    allowed: Sequence[Sequence[int]],
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
        for rover, order in enumerate(start):
            kept = [n for n in order if search.holder[n] < 0 and rover in search.allowed[n]]
            if kept and search.cost(rover, search.orders[rover] + kept) < math.inf:
                search.put(rover, search.orders[rover] + kept)
        search.begun = search.moves
    for need, rover in sorted(scene.drivers.items()):
        if search.holder[need] < 0 and not search.orders[rover]:
            search.put(rover, [need])
    for need in free:
        if search.holder[need] < 0:
            search.insert(need)
    search.improve(free, MOST_PASSES if start is None or search.base <= SMALL else WARM_PASSES)
    return search
