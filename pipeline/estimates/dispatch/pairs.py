"""Stops that take two rovers at the same time: custody of media and ballots, or wherever a person has asked for two."""

import math
from collections.abc import Collection, Sequence
from dataclasses import replace
from itertools import combinations

import numpy as np

from pipeline.estimates.dispatch.scene import Order, Scene
from pipeline.estimates.dispatch.search import Search

MOST_PAIRED = 4  # rovers among which a pair is looked for, those that could be there first [count]; our choice


def with_pairs(
    scene: Scene, orders: list[Order], allowed: Sequence[Collection[int]], single: int
) -> tuple[Scene, list[Order]]:
    """The plan with the needs from position `single` on, each put into the orders of two rovers that meet there.

    Work begins when both are there. For each, the two rovers and the places in their orders that add least, the wait of
    the one that is there first included. A need for which no two rovers can be found is left out. The second rover's
    stop is a copy of the need that costs nothing, so that what it saves counts once.
    """
    for n in range(single, len(scene.needs)):
        best = best_pair(scene, orders, allowed[n], n)
        if best is None:
            continue
        one, place, other, second, begins = best
        names = scene.rovers[one].rover_id, scene.rovers[other].rover_id
        needs = list(scene.needs)
        needs[n] = replace(needs[n], partner=names[1])
        needs.append(replace(needs[n], partner=names[0], chance=0.0))
        minutes = np.hstack([scene.minutes, scene.minutes[:, [n]]])
        minutes = np.vstack([minutes, minutes[[len(scene.rovers) + n]]])
        twin = len(needs) - 1
        scene = replace(scene, needs=needs, minutes=minutes, begins={**scene.begins, n: begins, twin: begins})
        orders = [list(order) for order in orders]
        orders[one].insert(place, n)
        orders[other].insert(second, twin)
    return scene, orders


def best_pair(
    scene: Scene, orders: list[Order], allowed: Collection[int], need: int
) -> tuple[int, int, int, int, float] | None:
    """The two rovers, their places for a need, and when work begins; None if it is not worth two."""
    search = Search(scene, [()] * len(scene.needs))
    near = sorted(allowed, key=lambda r: (scene.rovers[r].free_at + float(scene.minutes[r, need]), r))[:MOST_PAIRED]
    least, found = search.missed(need), None
    for one, other in combinations(sorted(near), 2):
        for place in range(first_free(scene, orders[one]), len(orders[one]) + 1):
            for second in range(first_free(scene, orders[other]), len(orders[other]) + 1):
                begins = max(
                    arrival(scene, one, orders[one], place, need), arrival(scene, other, orders[other], second, need)
                )
                if begins >= min(scene.rovers[one].off_shift, scene.rovers[other].off_shift):
                    continue
                added = search.loss(need, begins + scene.needs[need].visit_minutes)
                for rover, at in ((one, place), (other, second)):
                    added += delayed(scene, search, rover, orders[rover], at, need, begins)
                if added < least:
                    least, found = added, (one, place, other, second, begins)
    return found


def first_free(scene: Scene, order: Order) -> int:
    """The first place behind the stops that are settled: given ones, and those that already wait for a second rover."""
    fixed = [
        k
        for k, n in enumerate(order)
        if n in scene.begins or (scene.needs[n].rover_id and not scene.needs[n].is_overdue)
    ]
    return fixed[-1] + 1 if fixed else 0


def arrival(scene: Scene, rover: int, order: Order, place: int, need: int) -> float:
    """When a rover would be there, as its stop number `place` [min from T]."""
    return scene.legs(rover, [*order[:place], need])[-1].arrive


def delayed(scene: Scene, search: Search, rover: int, order: Order, place: int, need: int, begins: float) -> float:
    """What the rest of a rover's stops lose more if it works there from `begins` on; infinite if its shift ends."""
    later = replace(scene, begins={**scene.begins, need: begins})
    before = {leg.need: leg.done for leg in scene.legs(rover, order)}
    added = 0.0
    for leg in later.legs(rover, [*order[:place], need, *order[place:]])[place + 1 :]:
        if leg.arrive >= scene.rovers[rover].off_shift:
            return math.inf
        added += search.loss(leg.need, leg.done) - search.loss(leg.need, before[leg.need])
    return added
