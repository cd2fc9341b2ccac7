"""How long a plan takes, and what a plan made from the last one is worth against one made from nothing.

    uv run python tests/benchmarks/dispatch.py

300 rovers and 400 open needs in a square two hours wide; the least of several runs, in processor time. `warm` moves the
clock on by five minutes, closes twenty needs and opens twenty others, and starts from the last plan. Then a day of 5,000
sites: such re-plans every five minutes for 14 hours.
"""

import math
import time
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from pipeline.estimates.dispatch.costs import Cost
from pipeline.estimates.dispatch.needs import Need
from pipeline.estimates.dispatch.rovers import Rover
from pipeline.estimates.dispatch.scene import Order, Scene
from pipeline.estimates.dispatch.search import Search, plan
from pipeline.settings import Settings

AT = datetime(2026, 11, 3, 16, tzinfo=UTC)
ROVERS, NEEDS, WIDE = 300, 400, 120.0  # [count], [count], [min of driving]


def drawn_need(rng: np.random.Generator, age: float) -> Need:
    """One open need of an invented county."""
    cost = Cost(float(rng.lognormal(0.5, 1)), float(rng.exponential(0.5)))
    return Need("S", frozenset(), ("bmd",), (), None, AT, 2, cost, float(rng.uniform(0.3, 1)), 20.0, age)


def scene_of(places: np.ndarray, rovers: list[Rover], needs: list[Need]) -> Scene:
    """The scene of rovers and needs at places, rovers first."""
    minutes = 2 + np.hypot(*(places[:, None] - places[None, len(rovers) :]).transpose(2, 0, 1))
    return Scene(rovers, needs, minutes, Settings(), {})


def draw(seed: int) -> tuple[np.ndarray, list[Rover], list[Need]]:
    """Places, rovers (some of them busy) and needs."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, WIDE, (ROVERS + NEEDS, 2))
    rovers = [
        Rover(f"R{r}", (0.0, 0.0), float(free), None, frozenset(), {}, 600.0, ())
        for r, free in enumerate(rng.choice([0, 0, 10, 20], ROVERS))
    ]
    return places, rovers, [drawn_need(rng, float(rng.uniform(0, 60))) for _ in range(NEEDS)]


def moved_on(
    seed: int, places: np.ndarray, rovers: list[Rover], needs: list[Need], orders: list[Order], changed: int = 20
) -> tuple[np.ndarray, list[Rover], list[Need], list[Order]]:
    """Five minutes later: some needs are closed, as many have come; the plan in the new positions."""
    rng = np.random.default_rng(seed)
    gone = {int(n) for n in rng.choice(len(needs), changed, replace=False)}
    stay = [n for n in range(len(needs)) if n not in gone]
    position = {n: k for k, n in enumerate(stay)}
    later = [replace(needs[n], age=needs[n].age + 5) for n in stay] + [drawn_need(rng, 2.0) for _ in range(changed)]
    now = [replace(rover, free_at=max(0.0, rover.free_at - 5)) for rover in rovers]
    where = np.vstack([places[: len(rovers)], places[len(rovers) :][stay], rng.uniform(0, WIDE, (changed, 2))])
    return where, now, later, [[position[n] for n in order if n in position] for order in orders]


def total(scene: Scene, allowed: list[frozenset[int]], orders: list[Order]) -> float:
    """What a plan loses in all."""
    search = Search(scene, allowed)
    for rover, order in enumerate(orders):
        search.put(rover, list(order))
    return search.total()


def least(runs: int, work) -> tuple[float, object]:  # type: ignore[no-untyped-def]
    """The least processor time of several runs [ms], and the last result."""
    best, found = math.inf, None
    for _ in range(runs):
        began = time.process_time()
        found = work()
        best = min(best, time.process_time() - began)
    return best * 1000, found


def main() -> None:
    allowed = [frozenset(range(ROVERS))] * NEEDS
    for seed in range(3):
        places, rovers, needs = draw(seed)
        scene = scene_of(places, rovers, needs)
        cold, orders = least(5, lambda s=scene: plan(s, allowed, {}))
        where, now, later, start = moved_on(seed, places, rovers, needs, orders)  # type: ignore[arg-type]
        after = scene_of(where, now, later)
        warm, again = least(5, lambda s=after, o=start: plan(s, allowed, {}, o))
        anew = plan(after, allowed, {})
        worth = total(after, allowed, again) / total(after, allowed, anew)  # type: ignore[arg-type]
        print(f"300 x 400: from nothing {cold:.0f} ms, from the last plan {warm:.0f} ms, which loses {worth:.4f} of it")
    began = time.process_time()
    places, rovers, needs = draw(9)
    orders = plan(scene_of(places, rovers, needs), allowed, {})
    for step in range(14 * 12):
        places, rovers, needs, start = moved_on(100 + step, places, rovers, needs, orders)  # type: ignore[arg-type]
        orders = plan(scene_of(places, rovers, needs), allowed, {}, start)
    print(f"a day of re-plans every 5 minutes, 300 rovers and 400 open needs: {time.process_time() - began:.1f} s")


if __name__ == "__main__":
    main()
