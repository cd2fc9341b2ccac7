"""The moves of the search, compiled: insertion, relocation, exchange of stops and of tails, shifts and reversals.

They change the `Tables` that they are given, in place. All of them stand in this module: code that is kept on disk is
made anew when its own file changes, not when one does that it calls into.
"""

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.compiled import compiled, inner
from pipeline.estimates.dispatch.tables import SMALL, Tables

GAIN = 1e-9  # a move has to save more than rounding error [voter-minutes]

Order = NDArray[np.int64]
Records = NDArray[np.void]


@compiled
def loss(terms: Records, needs: Records, need: int, minutes: float) -> float:
    """What the plan holds against mending a need so many minutes after T (`tables.terms_of`)."""
    total = 0.0
    for k in range(needs[need].terms, needs[need].terms_end):
        term = terms[k]
        total += term.level * minutes
        x = term.ahead + minutes
        if x > 0:
            total += term.rate * (x * x / 2 if x <= term.cap else term.cap * x - term.cap * term.cap / 2) - term.done
        x = term.soft + minutes
        if x > 0:
            total += term.people * x
    return total


@inner
def visit(t: Tables, rover: int, order: Order, place: int) -> float:
    """How long a stop takes on average: longer where a part may lack after the stops before (`Scene.longer`) [min]."""
    who, need = t.rovers[rover], t.needs[order[place]]
    if who.vehicle < 0 or need.wants == need.wants_end:
        return need.visit
    spared = 1.0
    for own in range(need.wants, need.wants_end):
        fit, many = t.fits[who.vehicle, t.wants[who.side, own].category], 0
        t.fewer[0] = 1.0  # by number: the chance that just so many of the troubles before have taken a part that fits
        for k in range(place + 1 if fit.count else 0):
            earlier = t.needs[order[k]]
            for i in range(earlier.wants, own if k == place else earlier.wants_end):
                other = t.wants[who.side, i]
                if fit.shared >> other.category & 1:
                    many += 1
                    t.fewer[many] = 0.0
                    for n in range(min(many, fit.count - 1), -1, -1):
                        taken = t.fewer[n - 1] * other.chance if n else 0.0
                        t.fewer[n] = t.fewer[n] * (1 - other.chance) + taken
        left = 1.0 if many < fit.count else 0.0
        for n in range(fit.count if many >= fit.count else 0):
            left += t.fewer[n]
        spared *= 1 - t.wants[who.side, own].chance * (1 - left)
    return need.visit + t.second * (1 - spared)


@compiled
def cost(t: Tables, rover: int, order: Order, count: int, limit: float) -> float:
    """What the first `count` needs of an order lose; infinite from `limit` on, or where the rover's shift ends before.

    Notes in `t.clock` when each stop is done.
    """
    who = t.rovers[rover]
    total = who.switch if count == 0 or order[0] != who.target else 0.0
    clock, node = who.free_at, rover
    for place in range(count):
        need = order[place]
        if place == 0 and need == who.target:
            clock = who.arrives
        else:
            for k in range(who.breaks, who.breaks_end):
                if t.breaks[k, 0] <= clock < t.breaks[k, 1]:  # nobody sets off in a break
                    clock = t.breaks[k, 1]
                    break
            clock += t.drive[node, need]
        if clock >= who.off and place >= who.fixed and need != who.target:
            return math.inf
        clock += visit(t, rover, order, place)
        t.clock[place] = clock
        total += loss(t.terms, t.needs, need, clock)
        if total >= limit:
            return math.inf
        node = len(t.rovers) + need
    return total


@compiled
def put(t: Tables, rover: int, order: Order, count: int) -> None:
    """Gives a rover an order."""
    who = t.rovers[rover]
    for k in range(who.length):
        if t.needs[t.orders[rover, k]].holder == rover:
            t.needs[t.orders[rover, k]].holder = -1
    for k in range(count):
        t.orders[rover, k] = order[k]
        t.needs[order[k]].holder, t.needs[order[k]].place = rover, k
    t.moves[0] += 1
    who.length, who.changed = count, t.moves[0]
    who.cost = cost(t, rover, order, count, math.inf)


@inner
def put_in(t: Tables, rover: int, need: int, place: int) -> None:
    """Puts a need into a rover's order."""
    count = t.rovers[rover].length
    for k in range(count + 1):
        t.trial[0, k] = need if k == place else t.orders[rover, k if k < place else k - 1]
    put(t, rover, t.trial[0], count + 1)


@inner
def gains(t: Tables, rover: int, order: Order) -> bool:
    """Gives a rover another order of its needs if it loses less."""
    who = t.rovers[rover]
    if cost(t, rover, order, who.length, who.cost) < who.cost - GAIN:
        put(t, rover, order, who.length)
        return True
    return False


@inner
def candidate(t: Tables, need: int, k: int) -> int:
    """The rover that is tried for a need as number `k`; -1 if there is none, or it has been.

    First come those that could be there first, then those that go to the places nearest to it.
    """
    near = t.near.shape[1]
    if k < near:
        return t.near[need, k]
    rover = t.needs[t.beside[need, k - near]].holder
    if rover < 0 or not t.allowed[need, rover]:
        return -1
    for i in range(near):
        if t.near[need, i] == rover:
            return -1
    for i in range(k - near):
        if t.needs[t.beside[need, i]].holder == rover:
            return -1
    return rover


@inner
def insert(t: Tables, need: int, limit: float) -> bool:
    """Puts a need in where it adds least, or leaves it out if that is not below `limit`."""
    trial, best, best_place = t.trial[0], need, -1
    for k in range(t.near.shape[1] + t.beside.shape[1]):
        rover = candidate(t, need, k)
        if rover < 0:
            continue
        who = t.rovers[rover]
        for i in range(who.length):
            trial[i if i < who.fixed else i + 1] = t.orders[rover, i]
        for place in range(who.fixed, who.length + 1):
            if place > who.fixed:
                trial[place - 1] = t.orders[rover, place - 1]
            trial[place], t.clock[place] = need, 0.0
            added = cost(t, rover, trial, who.length + 1, who.cost + limit) - who.cost
            if added < limit - GAIN:
                limit, best, best_place = added, rover, place
            elif (place or who.target < 0) and loss(t.terms, t.needs, need, t.clock[place]) >= limit:
                break  # later in the order it would only be later
    if best_place >= 0:
        put_in(t, best, need, best_place)
    return best_place >= 0


@inner
def relocate(t: Tables, need: int) -> bool:
    """Moves one need to a better place, in or out of the plan."""
    rover, missed = t.needs[need].holder, t.needs[need].missed
    if rover < 0:
        return insert(t, need, missed)
    who, place = t.rovers[rover], t.needs[need].place
    if place < who.fixed:
        return False
    before, stamp = who.cost, who.changed
    for k in range(who.length - 1):
        t.trial[0, k] = t.orders[rover, k if k < place else k + 1]
    put(t, rover, t.trial[0], who.length - 1)
    saved = before - who.cost
    if insert(t, need, min(missed, saved)) or saved > missed + GAIN:  # the latter: it is better left out
        return True
    put_in(t, rover, need, place)
    who.changed = stamp
    return False


@inner
def reverse(t: Tables, rover: int) -> bool:
    """Turns a stretch of one rover's order round, where that gains."""
    fixed, count, trial = t.rovers[rover].fixed, t.rovers[rover].length, t.trial[0]
    for i in range(fixed, count - 1):
        for j in range(i + 2, count + 1):
            for k in range(count):
                trial[k] = t.orders[rover, i + j - 1 - k if i <= k < j else k]
            if gains(t, rover, trial):
                return True
    return False


@inner
def shift(t: Tables, rover: int) -> bool:
    """Moves a stretch of two or three stops to another place of one rover's order, either way round."""
    fixed, count, trial = t.rovers[rover].fixed, t.rovers[rover].length, t.trial[0]
    for size in range(2, 4):
        for i in range(fixed, count - size + 1):
            for j in range(fixed, count - size + 1):
                for is_turned in (False, True):
                    for k in range(count):
                        if j <= k < j + size:
                            trial[k] = t.orders[rover, i + size - 1 - (k - j) if is_turned else i + k - j]
                        else:
                            rest = k if k < j else k - size
                            trial[k] = t.orders[rover, rest if rest < i else rest + size]
                    if gains(t, rover, trial):
                        return True
    return False


@inner
def swap(t: Tables, one: int, i: int, other: int, j: int) -> bool:
    """Exchanges two tails, or two single stops, where that gains."""
    first, second, a, b = t.trial[0], t.trial[1], t.rovers[one].length, t.rovers[other].length
    now = t.rovers[one].cost + t.rovers[other].cost - GAIN
    for is_single in (False, True):
        if is_single and (i == a or j == b):
            break
        p, q = (a, b) if is_single else (i + b - j, j + a - i)
        may = True
        for k in range(p):
            is_own = k < i or (is_single and k > i)
            first[k] = t.orders[one, k] if is_own else t.orders[other, j + k - i]
            may = may and (is_own or t.allowed[first[k], one])
        for k in range(q):
            is_own = k < j or (is_single and k > j)
            second[k] = t.orders[other, k] if is_own else t.orders[one, i + k - j]
            may = may and (is_own or t.allowed[second[k], other])
        if not may:
            continue
        lost = cost(t, one, first, p, now)
        if lost < now and lost + cost(t, other, second, q, now - lost) < now:
            put(t, one, first, p)
            put(t, other, second, q)
            return True
    return False


@inner
def exchange_near(t: Tables, need: int) -> bool:
    """Exchanges between the rover of a need and those of the needs nearest to it."""
    gained = False
    for k in range(t.beside.shape[1]):
        beside = t.beside[need, k]
        one, other = t.needs[need].holder, t.needs[beside].holder
        if one < 0 or other < 0 or one == other:
            continue
        last, t.tried[need, k] = t.tried[need, k], t.moves[0]
        if max(t.rovers[one].changed, t.rovers[other].changed) <= last:
            continue
        i, j = t.needs[need].place, t.needs[beside].place
        if i >= t.rovers[one].fixed and j >= t.rovers[other].fixed:
            for after in range(2):
                if swap(t, one, i + after, other, j):
                    gained = True
                    break
    return gained


@inner
def exchange(t: Tables, one: int, other: int) -> bool:
    """Exchanges needs of one rover, one or a tail, with those of another, where that gains."""
    last, t.tried[one, other] = t.tried[one, other], t.moves[0]
    if max(t.rovers[one].changed, t.rovers[other].changed) > last:
        for i in range(t.rovers[one].fixed, t.rovers[one].length + 1):
            for j in range(t.rovers[other].fixed, t.rovers[other].length + 1):
                if swap(t, one, i, other, j):
                    return True
    return False


@compiled
def improve(t: Tables, free: Order, most: int) -> None:
    """Puts in the needs that nobody has yet, then searches until no move gains, or for `most` rounds.

    No move is tried again before something near it has changed.
    """
    for need in free:
        if t.needs[need].holder < 0:
            insert(t, need, t.needs[need].missed)
    for _ in range(most):
        gained = 0
        for need in free:
            newest, holder = -1, t.needs[need].holder
            if holder >= 0:
                newest = t.rovers[holder].changed
            for k in range(t.near.shape[1] + t.beside.shape[1]):
                rover = candidate(t, need, k)
                if rover >= 0:
                    newest = max(newest, t.rovers[rover].changed)
            last, t.needs[need].tried = t.needs[need].tried, t.moves[0]
            if newest > last:
                gained += relocate(t, need)
        for rover in range(len(t.rovers)):
            who = t.rovers[rover]
            if who.length > 2:
                last, who.tried = who.tried, t.moves[0]
                if who.changed > last:
                    gained += reverse(t, rover)
                    if who.length > 3:
                        gained += shift(t, rover)
        if len(t.rovers) > SMALL:
            for need in free:
                gained += exchange_near(t, need)
        else:
            busy = 0
            for one in range(len(t.rovers)):
                busy |= int(t.rovers[one].length > t.rovers[one].fixed) << one
            for one in range(len(t.rovers)):
                for other in range(len(t.rovers)):
                    if busy >> one & 1 and one != other:
                        gained += exchange(t, one, other)
        if not gained:
            return
