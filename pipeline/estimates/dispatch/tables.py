"""A scene as tables of numbers, as the compiled moves of the search want it, and the orders that they make."""

from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.estimates.dispatch.carried import Wants
from pipeline.estimates.dispatch.needs import HOUR, Need
from pipeline.estimates.dispatch.rovers import PART_WORDS, SUPPLY
from pipeline.estimates.dispatch.scene import Scene

NEAR_ROVERS = 5  # rovers tried for one need in a large county, those that could be there first [count]; our choice
NEAR_NEEDS = 5  # and those that go to the places nearest to it [count]; our choice
SMALL = 12  # rovers up to which everything is tried with everything [count]; our choice

# A rover: its times [min from T]; the stop it drives to, when it arrives there and what it costs to turn it off; its
# vehicle (-1: lacks nothing) and whether it has the skill for power; its rows of `breaks`; its order so far: what it
# loses, how many stops it has, how many first ones are settled, the move that gave it, and up to which move its turns
# have been tried.
ROVER = np.dtype(
    [(name, "f8") for name in ("free_at", "off", "arrives", "switch", "cost")]
    + [(name, "i8") for name in ("target", "vehicle", "side", "breaks", "breaks_end", "length", "fixed")]
    + [(name, "i8") for name in ("changed", "tried")],
    align=True,
)
# A need: the visit [min], what leaving it out costs, its rows of `terms` and its columns of `wants`, which rover has it
# (-1: none) as which stop, and up to which move another place has been tried for it.
NEED = np.dtype(
    [(name, "f8") for name in ("visit", "missed")]
    + [(name, "i8") for name in ("terms", "terms_end", "wants", "wants_end", "holder", "place", "tried")],
    align=True,
)
# What mending a need after x minutes loses: level·x, rate·(F(x + ahead) − F(ahead)) with `done` for the latter, and
# people·(x + soft) from the soft cap on.
TERM = np.dtype([(name, "f8") for name in ("level", "rate", "done", "cap", "ahead", "soft", "people")], align=True)
WANT = np.dtype([("category", "i8"), ("chance", "f8")], align=True)  # a trouble that may take a part
# How many parts on board fit a category of trouble, and the categories that share one of them, as bits.
FIT = np.dtype([("count", "i8"), ("shared", "i8")], align=True)

CATEGORIES = {category: number for number, category in enumerate((*PART_WORDS, SUPPLY))}


class Tables(NamedTuple):
    """Everything a search reads and changes.

    `drive` : a row for each rover's place, then one for each need's site; a column for each need [min]
    `breaks` : begin and end [min from T]
    `orders` : by rover, its stops
    `fits` : by vehicle and category of trouble
    `wants` : the troubles of all needs, as a rover without the skill for power sees to them, and as one with it
    `second` : how much longer a stop takes without a part that it needs [min]
    `near`, `beside` : by need, rovers that could be there first (-1: no more), and the needs nearest to it; in a small
        county all rovers and no needs
    `tried` : by need and neighbour, in a small county by rovers, up to which move an exchange has been tried
    `trial`, `clock`, `fewer` : room to work in
    `moves` : how many orders have been given
    """

    rovers: NDArray[Any]
    needs: NDArray[Any]
    terms: NDArray[Any]
    drive: NDArray[np.float64]
    breaks: NDArray[np.float64]
    orders: NDArray[np.int64]
    fits: NDArray[Any]
    wants: NDArray[Any]
    second: float
    allowed: NDArray[np.bool_]
    near: NDArray[np.int64]
    beside: NDArray[np.int64]
    tried: NDArray[np.int64]
    trial: NDArray[np.int64]
    clock: NDArray[np.float64]
    fewer: NDArray[np.float64]
    moves: NDArray[np.int64]


def tables_of(scene: Scene, allowed: Sequence[Collection[int]]) -> Tables:
    """The tables of a scene, every order empty; what leaving a need out costs is still to come."""
    count, base = len(scene.needs), len(scene.rovers)
    needs, terms = needs_of(scene)
    rovers, breaks = rovers_of(scene)
    fits, wants = parts_of(scene, rovers, needs)
    may = may_of(allowed, base)
    near, beside = neighbours(scene, may)
    return Tables(
        rovers=rovers,
        needs=needs,
        terms=terms,
        drive=np.ascontiguousarray(scene.minutes, np.float64),
        breaks=breaks,
        orders=np.zeros((base, count + 1), np.int64),
        fits=fits,
        wants=wants,
        second=float(scene.settings["dispatch.second_visit_minutes"]),
        allowed=may,
        near=near,
        beside=beside,
        tried=np.full((base, base) if base <= SMALL else beside.shape, -1),
        trial=np.zeros((2, count + 1), np.int64),
        clock=np.zeros(count + 1),
        fewer=np.zeros(wants.shape[1] + 1),
        moves=np.zeros(1, np.int64),
    )


def switching_cost(scene: Scene, need: int) -> float:
    """What it costs to turn a rover off from a stop: a fixed sum, and a share of what that stop loses in an hour.

    What is at stake is known within a factor only: where much is, a gain of the fixed sum is no real gain.
    """
    fixed, share = scene.settings["dispatch.switching_cost"], scene.settings["dispatch.switching_share"]
    return fixed + share * scene.needs[need].lost(HOUR)


def rovers_of(scene: Scene) -> tuple[NDArray[Any], NDArray[np.float64]]:
    """The rovers, and their breaks [min from T]."""
    rovers = np.zeros(len(scene.rovers), ROVER)
    rovers["free_at"], rovers["off"] = [r.free_at for r in scene.rovers], [r.off_shift for r in scene.rovers]
    rovers["target"], rovers["vehicle"], rovers["tried"] = -1, -1, -1
    for need, rover in scene.drivers.items():
        rovers["target"][rover], rovers["arrives"][rover] = need, scene.under_way[need]
        rovers["switch"][rover] = rovers["cost"][rover] = switching_cost(scene, need)
    ends = np.cumsum([len(rover.breaks) for rover in scene.rovers], dtype=np.int64)
    rovers["breaks_end"], rovers["breaks"][1:] = ends, ends[:-1]
    breaks = [moments for rover in scene.rovers for moments in rover.breaks]
    return rovers, np.array(breaks, np.float64).reshape(-1, 2)


def needs_of(scene: Scene) -> tuple[NDArray[Any], NDArray[Any]]:
    """The needs, and what the plan holds against mending each so many minutes after T, as terms that add up.

    That is what it loses, what waiting beyond the soft cap adds, and what a place far out adds: no rover happens to be
    near it, so without that it would wait longer than others for the same trouble. What is foreseen at a stop is
    another term; the distance counts once.
    """
    needs = np.zeros(len(scene.needs), NEED)
    needs["visit"] = [need.visit_minutes for need in scene.needs]
    needs["holder"], needs["tried"] = -1, -1
    outlying = scene.settings["dispatch.outlying_people"]
    soft_cap, people = scene.settings["dispatch.soft_cap_minutes"], scene.settings["dispatch.soft_cap_people"]
    found = [terms_of(need, outlying * need.farther, soft_cap, people) for need in scene.needs]
    ends = np.cumsum([len(terms) for terms in found], dtype=np.int64)
    needs["terms_end"], needs["terms"][1:] = ends, ends[:-1]
    return needs, np.array([term for terms in found for term in terms], TERM)


def terms_of(need: Need, outlying: float, soft_cap: float, people: float) -> list[tuple[float, ...]]:
    """The rows of `Tables.terms` of a need and of what is foreseen there; `outlying` people are held up more."""
    chance, age, made = need.chance, need.age, need.cost
    rate, cap, ahead = chance * made.growth * made.clearing, made.cap, age - made.delay
    before = max(0.0, ahead)
    done = rate * (before * before / 2 if before <= cap else cap * before - cap * cap / 2)
    own = (chance * (made.level + outlying), rate, done, cap, ahead, age - soft_cap, chance * people)
    return [own, *(term for more in need.also for term in terms_of(more, 0.0, soft_cap, people))]


def parts_of(scene: Scene, rovers: NDArray[Any], needs: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """`fits` and `wants` of the `Tables`; notes each rover's vehicle and each need's wants. Equal loads share one."""
    number = {carried: v for v, carried in enumerate(dict.fromkeys(scene.carried.values()))}
    fits = np.zeros((len(number), len(CATEGORIES)), FIT)
    shared: dict[tuple[int, ...], list[int]] = {}  # by what fits each category: vehicles carry much the same
    for carried, v in number.items():
        own, count = zip(*(carried.stock[category] for category in CATEGORIES), strict=True)
        if own not in shared:
            shared[own] = [sum(1 << c for c, other in enumerate(own) if other & fitting) for fitting in own]
        fits["count"][v], fits["shared"][v] = count, shared[own]
    for r, carried in scene.carried.items():
        rovers["vehicle"][r], rovers["side"][r] = number[carried], carried.has_power_skill
    sides = {carried.has_power_skill: carried for carried in number}
    seen: list[list[Wants]] = [
        [sides[side].wants(need, scene.settings) if side in sides else () for need in scene.needs]
        for side in (False, True)
    ]
    ends = np.cumsum([max(len(stop), len(same)) for stop, same in zip(*seen, strict=True)], dtype=np.int64)
    needs["wants_end"], needs["wants"][1:] = ends, ends[:-1]
    wants = np.zeros((2, ends[-1] if len(ends) else 0), WANT)
    for row, stops in zip(wants, seen, strict=True):
        found = [(CATEGORIES[category], chance) for stop in stops for category, chance in stop]
        row[: len(found)] = found
    return fits, wants


def may_of(allowed: Sequence[Collection[int]], base: int) -> NDArray[np.bool_]:
    """Which rovers (columns) may take which need (rows)."""
    may = np.zeros((len(allowed), base), np.bool_)
    alike: dict[frozenset[int], list[int]] = {}
    for n, who in enumerate(allowed):
        alike.setdefault(frozenset(who), []).append(n)
    for who, those in alike.items():
        may[np.ix_(those, sorted(who))] = True
    return may


def neighbours(scene: Scene, may: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """`near` and `beside` of the `Tables`."""
    count, base = may.shape
    if base <= SMALL or not count:
        everybody = np.broadcast_to(np.arange(base), may.shape)
        return np.where(may, everybody, -1), np.zeros((count, 0), np.int64)
    apart = scene.minutes[base:] + scene.minutes[base:].T
    np.fill_diagonal(apart, np.inf)
    free_at = np.array([rover.free_at for rover in scene.rovers])
    reach = np.where(may, (scene.minutes[:base] + free_at[:, None]).T, np.inf)
    near = smallest(reach, NEAR_ROVERS)
    near[~np.take_along_axis(may, near, axis=1)] = -1
    return near, smallest(apart, min(NEAR_NEEDS, count - 1))


def smallest(values: NDArray[np.float64], count: int) -> NDArray[np.int64]:
    """The columns of the least values of each row, least first."""
    if count <= 0:
        return np.zeros((len(values), 0), np.int64)
    found = np.argpartition(values, min(count, values.shape[1] - 1), axis=1)[:, :count]
    found.sort(axis=1)
    order = np.argsort(np.take_along_axis(values, found, axis=1), axis=1, kind="stable")
    nearest: NDArray[np.int64] = np.take_along_axis(found, order, axis=1)
    return nearest
