"""Orders in the making: what each rover's stops lose, and the place where one more adds least (cheapest insertion).

The rovers tried for a need are all of them in a small county, else those near: a bound by counts, never by the clock.
"""

import math
from collections.abc import Callable, Collection, Iterable, Sequence
from itertools import accumulate, permutations

import numpy as np
from numpy.typing import NDArray

from pipeline.estimates.dispatch.needs import HOUR
from pipeline.estimates.dispatch.onboard import vehicles
from pipeline.estimates.dispatch.scene import Order, Scene, loss_functions

NEAR_ROVERS = 5  # rovers tried for one need in a large county, those that could be there first [count]; our choice
NEAR_NEEDS = 5  # and those that go to the places nearest to it [count]; our choice
SMALL = 12  # rovers up to which everything is tried with everything [count]; our choice
MOST_PERMUTED = 5  # committed stops whose order is tried out in full: 120 orders [count]
GAIN = 1e-9  # a move has to save more than rounding error [voter-minutes]


def switching_cost(scene: Scene, need: int) -> float:
    """What it costs to turn a rover off from a stop: a fixed sum, and a share of what that stop loses in an hour.

    What is at stake is known within a factor only: where much is, a gain of the fixed sum is no real gain.
    """
    fixed, share = scene.settings["dispatch.switching_cost"], scene.settings["dispatch.switching_share"]
    return fixed + share * scene.needs[need].lost(HOUR)


def smallest(values: NDArray[np.float64], count: int) -> list[list[int]]:
    """The columns of the least values of each row, least first."""
    if count <= 0:
        return [[] for _ in values]
    found = np.argpartition(values, min(count, values.shape[1] - 1), axis=1)[:, :count]
    found.sort(axis=1)
    order = np.argsort(np.take_along_axis(values, found, axis=1), axis=1, kind="stable")
    nearest: list[list[int]] = np.take_along_axis(found, order, axis=1).tolist()
    return nearest


class Insertion:
    """The orders so far: when each stop is done, what it loses, and where another need goes in."""

    def __init__(self, scene: Scene, allowed: Sequence[Collection[int]]) -> None:
        self.scene = scene
        rovers, needs = scene.rovers, scene.needs
        self.base = len(rovers)
        self.allowed = [frozenset(who) for who in allowed]
        self.drive = [memoryview(row) for row in scene.minutes]  # read as fast as lists, and nothing is copied
        self.loss: list[Callable[[float], float]] = loss_functions(scene)
        visit = [need.visit_minutes for need in needs]
        self.vehicles = vehicles(scene)
        self.free_at, self.off = [r.free_at for r in rovers], [r.off_shift for r in rovers]
        self.breaks = [r.leaves if r.breaks else None for r in rovers]
        unvisited = scene.settings["dispatch.unvisited_minutes"]
        least = scene.settings["dispatch.least_saving"]  # nobody crosses the county for next to nothing
        self.missed = [loss(unvisited + visit) - least for loss, visit in zip(self.loss, visit, strict=True)]
        self.target = {rover: need for need, rover in scene.drivers.items()}  # where a rover drives to, by rover
        self.switch = {rover: switching_cost(scene, need) for rover, need in self.target.items()}
        self.fixed = [0] * len(rovers)
        self.orders: list[Order] = [[] for _ in rovers]
        self.done: list[list[float]] = [[] for _ in rovers]
        self.lost: list[list[float]] = [[] for _ in rovers]
        self.takes: list[list[float]] = [[] for _ in rovers]  # how long each stop is [min]
        self.before: list[list[float]] = [[0.0] for _ in rovers]  # what the stops up to each place lose together
        self.costs = [self.switch.get(r, 0.0) for r in range(len(rovers))]
        self.holder = [-1] * len(needs)
        self.moves = 0  # orders given so far
        self.changed = [0] * len(rovers)  # by rover, the last of them that was its
        self.near, self.beside = self.neighbours()

    def neighbours(self) -> tuple[list[list[int]], list[list[int]]]:
        """For each need, the rovers that could be there first, and the needs nearest to it."""
        scene, count = self.scene, len(self.scene.needs)
        if not count or not self.base:
            return [[] for _ in range(count)], [[] for _ in range(count)]
        apart = scene.minutes[self.base :] + scene.minutes[self.base :].T
        np.fill_diagonal(apart, math.inf)
        beside = smallest(apart, min(NEAR_NEEDS, count - 1))
        if self.base <= SMALL:
            return [sorted(who) for who in self.allowed], beside
        reach = (scene.minutes[: self.base] + np.array(self.free_at)[:, None]).T
        alike: dict[frozenset[int], list[int]] = {}
        for n, who in enumerate(self.allowed):
            alike.setdefault(who, []).append(n)
        for who, those in alike.items():
            if len(who) < self.base:
                barred = np.full(self.base, math.inf)
                barred[list(who)] = 0.0
                reach[those] += barred
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

    def walked(self, rover: int, order: Sequence[int]) -> tuple[float, list[float], list[float], list[float]]:
        """Cost of one rover's order; by stop when it is done, what it loses, how long it takes.

        The cost is infinite if the rover's shift ends before.
        """
        node, clock, total = rover, self.free_at[rover], 0.0
        fixed, off, target = self.fixed[rover], self.off[rover], self.target.get(rover)
        takes = self.vehicles[rover].lengths(order)
        drive, losses, base, leaves = self.drive, self.loss, self.base, self.breaks[rover]
        done: list[float] = []
        lost: list[float] = []
        if target is not None and (not order or order[0] != target):
            total = self.switch[rover]
        for place, need in enumerate(order):
            if place == 0 and need == target:
                clock = self.scene.under_way[need]
            else:
                clock = (leaves(clock) if leaves else clock) + drive[node][need]
            if clock >= off and place >= fixed and need != target:
                return math.inf, done, lost, takes
            clock += takes[place]
            loss = losses[need](clock)
            total += loss
            done.append(clock)
            lost.append(loss)
            node = base + need
        return total, done, lost, takes

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
        self.costs[rover], self.done[rover], self.lost[rover], self.takes[rover] = self.walked(rover, order)
        self.before[rover] = [0.0, *accumulate(self.lost[rover])]

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
        drive, takes, loss, base = self.drive, self.takes[rover], self.loss, self.base
        vehicle, own = self.vehicles[rover], self.vehicles[rover].first[need]
        is_touched, length, found = vehicle.is_touched(order, (need,)), len(order), -1
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
            clock += vehicle.after(need, order[:place]) if is_touched else own
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
                clock += vehicle.after(after, [need, *order[:later]]) if is_touched else takes[later]
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
