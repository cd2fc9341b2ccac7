import math
from datetime import UTC, datetime
from itertools import permutations, product

import numpy as np
import polars as pl
import pytest
from scipy.stats import binom

from pipeline.estimates.dispatch.carried import at_least, carried_by
from pipeline.estimates.dispatch.costs import Cost
from pipeline.estimates.dispatch.dispatch import dispatch
from pipeline.estimates.dispatch.needs import Need
from pipeline.estimates.dispatch.rovers import Rover
from pipeline.estimates.dispatch.scene import Scene
from pipeline.estimates.dispatch.search import plan, searched
from pipeline.settings import Settings

AT = datetime(2026, 11, 3, 16, tzinfo=UTC)
KINDS = {"scanner-jam": "roller", "memory-card": "memory card", "tape-printer": "paper roll", "power": "battery"}
# linear costs, so that the mean length of a stop is all that counts
PLAIN = Settings({"dispatch.soft_cap_people": 0.0, "dispatch.unvisited_minutes": 1e9})


def rover(number, parts, free_at=0.0):
    return Rover(f"R{number}", (0.0, 0.0), free_at, None, frozenset(), parts, math.inf, ())


def need(*categories, weight=1.0):
    return Need("S", frozenset(), categories, (), None, AT, 2, Cost(weight, 0.0), 1.0, 20.0, 0.0)


def snapshot(seed, rovers=2, needs=5):
    """Rovers with nought to two of each part, and needs that want them, in a square half an hour wide."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 30, (rovers + needs, 2))
    minutes = 2 + np.hypot(*(places[:, None] - places[None, rovers:]).transpose(2, 0, 1))
    crew = [
        rover(r, {name: int(rng.integers(3)) for name in KINDS.values()}, float(rng.choice([0, 10])))
        for r in range(rovers)
    ]
    wanted = [need(str(rng.choice(list(KINDS))), weight=float(rng.lognormal(0, 1))) for _ in range(needs)]
    return Scene(crew, wanted, minutes, PLAIN, {}, carried=carried_by(crew, wanted))


def lacking(stock, chances):
    """By stop of a route, the chance that it needs a part and none is left: every way the day may go, one by one."""
    found = [0.0] * len(chances)
    for ways in product((False, True), repeat=len(chances)):
        likely = math.prod(c if way else 1 - c for way, (_, c) in zip(ways, chances, strict=True))
        left = dict(stock)
        for k, (way, (part, _)) in enumerate(zip(ways, chances, strict=True)):
            if way and left.get(part, 0) > 0:
                left[part] -= 1
            elif way:
                found[k] += likely
    return found


def enumerated(s, r, order):
    """What a rover's order loses, reckoned without the product's own sums."""
    category = [s.needs[n].categories[0] for n in order]
    chances = [(KINDS[c], PLAIN[f"dispatch.part_needed_{c.replace('-', '_')}"]) for c in category]
    clock, node, loss = s.rovers[r].free_at, r, 0.0
    for n, short in zip(order, lacking(s.rovers[r].parts, chances), strict=True):
        clock += s.minutes[node, n] + 20.0 + 45.0 * short
        loss += s.needs[n].cost.level * clock
        node = len(s.rovers) + n
    return loss


def exact(s):
    """The least that any plan of two rovers loses: every order of every share of the needs."""
    numbers = range(len(s.needs))
    best = [
        {
            chosen: min(enumerated(s, r, order) for order in permutations(n for n in numbers if chosen >> n & 1))
            for chosen in range(1 << len(s.needs))
        }
        for r in (0, 1)
    ]
    return min(best[0][chosen] + best[1][(1 << len(s.needs)) - 1 - chosen] for chosen in best[0])


def total(s, orders):
    return sum(enumerated(s, r, order) for r, order in enumerate(orders))


def test_plans_that_count_parts_are_close_to_the_exact_optimum():
    # 40 snapshots of 2 rovers × 5 needs, by enumeration of all orders and of all that the stops may use
    scenes = [snapshot(seed) for seed in range(40)]
    ratios = [total(s, plan(s, [range(2)] * 5, {})) / exact(s) for s in scenes]
    assert min(ratios) >= 1 - 1e-9
    assert np.mean(ratios) <= 1.01
    assert np.quantile(ratios, 0.95) <= 1.05


@pytest.mark.parametrize(("rovers", "needs"), [(3, 8), (15, 25)])
@pytest.mark.parametrize("seed", range(3))
def test_what_the_search_reckons_is_what_the_times_of_the_stops_say(rovers, needs, seed):
    s = snapshot(seed, rovers, needs)
    search = searched(s, [range(rovers)] * needs, {}, list(range(needs)))
    assert any(len(order) > 1 for order in search.orders)
    for r, order in enumerate(search.orders):
        assert search.costs[r] == pytest.approx(sum(s.needs[leg.need].lost(leg.done) for leg in s.legs(r, order)))
        assert search.costs[r] == pytest.approx(enumerated(s, r, order))


def test_the_chance_of_so_many_of_unlike_events():
    # equal chances: the binomial (scipy); unequal ones: every outcome one by one
    assert at_least(2, [0.3] * 5) == pytest.approx(binom.sf(1, 5, 0.3))
    chances = (0.2, 0.7, 0.5)
    for count in range(5):
        ways = product((0, 1), repeat=3)
        likely = sum(
            math.prod(c if way else 1 - c for c, way in zip(chances, w, strict=True)) for w in ways if sum(w) >= count
        )
        assert at_least(count, chances) == pytest.approx(likely)


def test_two_troubles_of_one_stop_want_two_parts():
    # paper fits a report printer (.7) and a marking device (.4): one roll on board lacks with .7·.4
    carried = carried_by([rover(1, {"paper": 1})], [need("tape-printer", "bmd")])[0]
    assert carried.chance_lacking(carried.wants(need("tape-printer", "bmd"), PLAIN), ()) == pytest.approx(0.28)


def test_another_rover_goes_where_the_one_part_on_board_is_used_before(day, dispatch_inputs):
    # R1 starts at S1 and would be at S2 after 20 + 13 min; R2 would after some 40. With one roll R1 lacks it there with a
    # chance of .7·.7, and takes 22 min longer on average: R2 is sooner done.
    def second(rolls):
        rovers = [day.rover("R1", parts=f"paper-roll:{rolls}"), day.rover("R2", 0.22, parts="paper-roll:1")]
        tickets = [day.ticket("K1", "S1", "tape-printer"), day.ticket("K2", "S2", "tape-printer")]
        frame = dispatch(*dispatch_inputs(tickets, rovers=rovers))
        return frame.filter(pl.col("site_id") == "S2")["rover_id"][0]

    assert second(1) == "R2"
    assert second(2) == "R1"


def test_the_one_battery_of_a_rover_without_the_skill_serves_one_site():
    # without the skill for power a rover helps by what it brings alone: its second stop takes the whole way to fetch one
    dark = Need(
        "S", frozenset(["power"]), ("power",), (), None, AT, 2, Cost(1.0, 0.0), 1.0, 20.0, 0.0, foreseen="Dark."
    )
    crew = [rover(1, {"battery": 1, "cable": 2})]
    s = Scene(crew, [dark, dark], np.zeros((3, 2)), PLAIN, {}, carried=carried_by(crew, [dark]))
    assert (s.longer(0, 0), s.longer(0, 1, [0])) == (0.0, 45.0)
