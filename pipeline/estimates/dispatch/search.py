"""The search behind a plan: cheapest insertion and local search over what every need loses until it is mended.

Method: cheapest insertion in the order of the index rule, in a small county once more in the reverse order, then
relocation, exchange, shifts and reversals until none gains. Moves are tried between neighbours alone once a county is
large, and their number is bounded by counts, never by the clock: the same scene gives the same plan on any machine. Why
latency: Bertsimas & Van Ryzin 1991, 1993 (the dynamic travelling repairman); why cost that grows: Van Mieghem 1995,
Mandelbaum & Stolyar 2004.
"""

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace

from pipeline.estimates.dispatch.insertion import GAIN, SMALL, Insertion
from pipeline.estimates.dispatch.scene import Order, Scene, index

MOST_PASSES = 30  # rounds of local search; it stops by itself well before [count]
WARM_PASSES = 1  # rounds from an earlier plan in a large county: the next plan comes in minutes [count]
MOST_RESTARTED = 60  # needs for which the search is run a second time from another start [count]; our choice


class Search(Insertion):
    """Local search: the moves that better the orders; none is tried again before something near it has changed."""

    def __init__(self, scene: Scene, allowed: Sequence[Collection[int]]) -> None:
        super().__init__(scene, allowed)
        self.tried: dict[tuple[str, int, int], int] = {}
        self.begun = -1  # what came from an earlier plan counts as tried: moves made by then

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
        most = now - self.before[other][j]  # the other's stops before its tail lose that whatever comes after
        pairs = [(b[j:], a[i:])]
        if i < len(a) and j < len(b):
            pairs.append(([b[j], *a[i + 1 :]], [a[i], *b[j + 1 :]]))
        for p, q in pairs:
            first = self.with_tail(one, i, p, most)
            if first >= most or first + self.with_tail(other, j, q, now - first) >= now:
                continue
            if self.fits(one, p) and self.fits(other, q):
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
        if rover in self.target:
            return self.cost(rover, order[:place] + tail)
        leaves, off, base, vehicle = self.breaks[rover], self.off[rover], self.base, self.vehicles[rover]
        drive, loss, total, first = self.drive, self.loss, self.before[rover][place], vehicle.first
        whole = order[:place] + tail if vehicle.is_touched(order[:place], tail) else None
        clock, node = (self.done[rover][place - 1], base + order[place - 1]) if place else (self.free_at[rover], rover)
        for at, need in enumerate(tail):
            clock = (leaves(clock) if leaves else clock) + drive[node][need]
            if clock >= off:
                return math.inf
            clock += first[need] if whole is None else vehicle.after(need, whole[: place + at])
            total += loss[need](clock)
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
