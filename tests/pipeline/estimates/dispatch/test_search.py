import math
from dataclasses import replace
from datetime import UTC, datetime
from itertools import product

import numpy as np
import pytest
from ortools.sat.python import cp_model

from pipeline.estimates.dispatch.costs import Cost
from pipeline.estimates.dispatch.needs import Need
from pipeline.estimates.dispatch.rovers import Rover
from pipeline.estimates.dispatch.scene import Scene, index
from pipeline.estimates.dispatch.search import plan
from pipeline.settings import Settings

AT = datetime(2026, 11, 3, 16, tzinfo=UTC)
# the classic problems know no cap on waiting, no end of the day and no time at a stop
PLAIN = {"dispatch.soft_cap_people": 0.0, "dispatch.unvisited_minutes": 1e9}


def rover(name="R1", free_at=0.0, off_shift=math.inf, breaks=()):
    return Rover(name, (0.0, 0.0), free_at, None, frozenset(), {}, off_shift, breaks)


def need(weight=1.0, growth=0.0, visit=0.0, age=0.0, chance=1.0, cap=120.0):
    cost = Cost(weight, growth, cap=cap)
    return Need("S", frozenset(), ("bmd",), (), None, AT, 2, cost, chance, visit, age)


def scene(minutes, weights, rovers=None, visit=0.0):
    needs = [need(weight, visit=visit) for weight in weights]
    return Scene(rovers or [rover()], needs, np.asarray(minutes, float), Settings(PLAIN), {})


def total(scene, orders):
    return sum(scene.needs[leg.need].lost(leg.done) for r, order in enumerate(orders) for leg in scene.legs(r, order))


def solve(scene, committed=None):
    free = [list(range(len(scene.rovers)))] * len(scene.needs)
    return plan(scene, free, committed or {})


def on_a_line(start, sites):
    places = np.array([start, *sites], float)
    return abs(places[:, None] - np.array(sites, float)[None, :])


def test_least_latency_on_a_line():
    # start 0, sites −3, 1, 4 at unit speed: 1, 4, −3 is best with 1 + 4 + 11 = 16 (all six orders by hand)
    s = scene(on_a_line(0, [-3, 1, 4]), [1, 1, 1])
    assert solve(s) == [[1, 2, 0]]
    assert total(s, solve(s)) == pytest.approx(16)


def test_least_weighted_latency_on_a_line():
    # the same with weight 5 at −3: −3 first, 5·3 + 7 + 10 = 32
    s = scene(on_a_line(0, [-3, 1, 4]), [5, 1, 1])
    assert solve(s) == [[0, 1, 2]]
    assert total(s, solve(s)) == pytest.approx(32)


BURMA14 = """16.47 96.10 16.47 94.44 20.09 92.54 22.39 93.37 25.23 97.24 22.00 96.05 20.47 97.02 17.20 96.29 16.30 97.38
14.05 98.12 16.53 97.38 21.52 95.59 19.41 97.13 20.09 94.55"""


def burma14():
    """TSPLIB's burma14, coordinates from memory, with TSPLIB's GEO distance."""
    values = np.array([float(x) for x in BURMA14.split()]).reshape(-1, 2)
    degrees = np.trunc(values)
    radians = 3.141592 * (degrees + 5.0 * (values - degrees) / 3.0) / 180.0
    latitude, longitude = radians.T
    q1 = np.cos(longitude[:, None] - longitude)
    q2, q3 = np.cos(latitude[:, None] - latitude), np.cos(latitude[:, None] + latitude)
    distance = np.floor(6378.388 * np.arccos(np.clip(0.5 * ((1 + q1) * q2 - (1 - q1) * q3), -1, 1)) + 1.0)
    np.fill_diagonal(distance, 0)
    return distance


def held_karp(distance, weigh):
    """Least cost over all orders from place 0, by dynamic programming; `weigh(left)` is what a step costs a unit."""
    count = len(distance) - 1
    best = np.full((1 << count, count), math.inf)
    for j in range(count):
        best[1 << j, j] = distance[0, j + 1] * weigh(count)
    for chosen in range(1, 1 << count):
        left = count - chosen.bit_count()
        for j in range(count):
            if not math.isinf(best[chosen, j]):
                step = best[chosen, j] + distance[j + 1, 1:] * weigh(left)
                for k in range(count):
                    if not chosen >> k & 1:
                        best[chosen | 1 << k, k] = min(best[chosen | 1 << k, k], step[k])
    return best[-1]


def test_latency_of_burma14_against_the_exact_optimum():
    # TSPLIB: optimal tour 3323; least latency 20315 with the return, 16160 as a path (exact dynamic programming)
    distance = burma14()
    back = distance[1:, 0]
    assert (held_karp(distance, lambda left: 1) + back).min() == 3323
    assert (held_karp(distance, lambda left: left + 1) + back).min() == 20315
    exact = held_karp(distance, lambda left: left).min()
    assert exact == 16160
    s = scene(np.vstack([distance[0, 1:], distance[1:, 1:]]), [1] * 13)
    assert exact <= total(s, solve(s)) <= 1.01 * exact


def exact_plan(s):
    """Least cost of a plan with linear costs: dynamic programming of every route, every way to share the needs out."""
    count, rovers = len(s.needs), len(s.rovers)
    sets = range(1 << count)
    members = [[k for k in range(count) if chosen >> k & 1] for chosen in sets]
    heavy = [sum(s.needs[k].cost.level for k in ks) for ks in members]
    cost = np.zeros((1 << count, rovers + count))  # of serving a set from a place, from now
    for chosen in sets[1:]:
        ways = [
            (s.minutes[:, k] + s.needs[k].visit_minutes) * heavy[chosen] + cost[chosen ^ 1 << k, rovers + k]
            for k in members[chosen]
        ]
        cost[chosen] = np.min(ways, axis=0)
    route = [[cost[c, r] + s.rovers[r].free_at * heavy[c] for c in sets] for r in range(rovers)]
    best = route[0]
    for r in range(1, rovers):
        best = [min(best[c ^ part] + route[r][part] for part in sets if part & c == part) for c in sets]
    return best[-1]


def snapshot(seed, rovers=3, needs=8):
    """Rovers, some of them busy, and needs of unlike weight in a square half an hour wide."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 30, (rovers + needs, 2))
    minutes = 2 + np.hypot(*(places[:, None] - places[None, rovers:]).transpose(2, 0, 1))
    crew = [rover(f"R{r}", free_at) for r, free_at in enumerate(rng.choice([0, 0, 10, 20], rovers))]
    return scene(minutes, rng.lognormal(0, 1, needs), crew, visit=20.0)


def test_plans_are_close_to_the_exact_optimum():
    # 200 snapshots of 3 rovers × 8 needs; the exact cost by enumeration
    ratios = [total(s, solve(s)) / exact_plan(s) for s in map(snapshot, range(200))]
    assert min(ratios) >= 1 - 1e-9
    assert np.mean(ratios) <= 1.01
    assert np.quantile(ratios, 0.95) <= 1.05


def cp_sat_optimum(s, scale=100):
    """Least cost of a plan with linear costs by OR-Tools' CP-SAT: one circuit through all stops and rovers."""
    model, count, rovers = cp_model.CpModel(), len(s.needs), len(s.rovers)
    step = np.rint((s.minutes + [n.visit_minutes for n in s.needs]) * scale).astype(int)
    weight = [round(n.cost.level * 1000) for n in s.needs]
    done = [model.new_int_var(0, int(600 * scale), f"d{n}") for n in range(count)]
    # nodes: rovers, then needs; a rover's node also ends the route before it
    arcs = []
    for i in range(rovers):
        arcs += [(i, j, model.new_bool_var("")) for j in range(rovers) if rovers > 1 or i != j]
        for n in range(count):
            go = model.new_bool_var("")
            arcs.append((i, rovers + n, go))
            model.add(done[n] >= round(s.rovers[i].free_at * scale) + int(step[i, n])).only_enforce_if(go)
    for n in range(count):
        arcs += [(rovers + n, i, model.new_bool_var("")) for i in range(rovers)]
        for m in range(count):
            if m != n:
                go = model.new_bool_var("")
                arcs.append((rovers + n, rovers + m, go))
                model.add(done[m] >= done[n] + int(step[rovers + n, m])).only_enforce_if(go)
    # rovers stand in a ring: rover i's route ends where rover i + 1 begins, an idle rover goes straight on
    model.add_circuit([(i, j, x) for i, j, x in arcs if i >= rovers or j >= rovers or j == (i + 1) % rovers])
    model.minimize(sum(w * d for w, d in zip(weight, done, strict=True)))
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    assert solver.solve(model) == cp_model.OPTIMAL
    return solver.objective_value / scale / 1000


@pytest.mark.parametrize("seed", range(10))
def test_the_exact_optimum_is_what_an_independent_solver_finds(seed):
    # OR-Tools CP-SAT (Google), times in hundredths of a minute
    s = snapshot(seed)
    assert cp_sat_optimum(s) == pytest.approx(exact_plan(s), rel=1e-3)


def test_index_follows_the_c_mu_rule():
    # c·μ rule (Cox & Smith 1961): jobs of rate 1 and cost 2 go before jobs of rate 0.5 and cost 3
    needs = [need(2.0, visit=1.0), need(3.0, visit=2.0)]
    rank = index(Scene([rover()], needs, np.zeros((3, 2)), Settings(), {}))[0]
    assert rank[0] > rank[1]
    # what it is worth, M/M/1 without pre-emption, arrivals .3 and .25 a minute: 8.079 a minute against 9.750 and 8.775
    assert served(rank[0], rank[1]) == pytest.approx(8.079, rel=0.04)
    assert served(rank[1], rank[0]) == pytest.approx(9.750, rel=0.04)
    assert served(0, 0) == pytest.approx(8.775, rel=0.04)


def served(first, second, count=150_000):
    """Simulated cost rate of the waits of two kinds of jobs in one line; the higher rank is served first."""
    rng = np.random.default_rng(1)
    rates, mean, cost, rank = (0.3, 0.25), (1.0, 2.0), (2.0, 3.0), (first, second)
    jobs = sorted(
        (t, kind) for kind in (0, 1) for t in np.cumsum(rng.exponential(1 / rates[kind], int(count * rates[kind])))
    )
    length = rng.exponential(1, len(jobs))
    clock, waiting, spent, number = 0.0, [], 0.0, 0
    while number < len(jobs) or waiting:
        if not waiting:
            clock = max(clock, jobs[number][0])
        while number < len(jobs) and jobs[number][0] <= clock:
            waiting.append((-rank[jobs[number][1]], jobs[number][0], jobs[number][1], length[number]))
            number += 1
        chosen = min(waiting)
        waiting.remove(chosen)
        spent += cost[chosen[2]] * (clock - chosen[1])
        clock += chosen[3] * mean[chosen[2]]
    return spent / clock


def test_index_is_the_loss_avoided_by_minute_of_work_squared():
    # q·[EC(a+H) − EC(a)] / (H·(τ+s)²) with EC(a) = 5a, q .5, H 45, τ 10, s 20: .5·5/900
    s = Scene([rover()], [need(5.0, visit=20.0, chance=0.5)], np.array([[10.0], [0.0]]), Settings(), {})
    assert index(s)[0, 0] == pytest.approx(2.5 / 900)


def test_a_near_rover_that_is_nearly_done_is_waited_for():
    # far rover free now, 40 min away; near rover done in 5 min, 4 min away; a second need keeps the far one at home
    minutes = [[40.0, 3.0], [4.0, 50.0], [0.0, 45.0], [45.0, 0.0]]
    s = scene(minutes, [1.0, 1.0], [rover("far"), rover("near", free_at=5.0)], visit=20.0)
    assert solve(s) == [[1], [0]]


def test_a_free_rover_is_not_held_for_one_that_is_far_from_done():
    s = scene([[10.0], [4.0], [0.0]], [1.0], [rover("far"), rover("near", free_at=30.0)])
    assert solve(s) == [[0], []]


def test_a_growing_trouble_goes_before_an_equal_one_that_does_not_grow():
    # Van Mieghem 1995: the larger marginal cost first
    needs = [need(1.0, visit=20.0), need(1.0, growth=1.0, visit=20.0)]
    s = Scene([rover()], needs, np.array([[10.0, 10.0], [0.0, 10.0], [10.0, 0.0]]), Settings(PLAIN), {})
    assert solve(s) == [[1, 0]]


def test_waiting_beyond_the_soft_cap_brings_an_outlying_site_forward():
    def order(people):
        needs = [need(1.0, visit=20.0, age=200.0)] + [need(2.2, visit=20.0) for _ in range(3)]
        places = np.array([[0, 0], [12, 0], [-6, 0], [-6, 1], [-6, 2]], float)
        minutes = np.abs(places[:, None] - places[None, 1:]).sum(axis=2)
        settings = Settings({"dispatch.soft_cap_people": people, "dispatch.unvisited_minutes": 1e6})
        return plan(Scene([rover()], needs, minutes, settings, {}), [[0]] * 4, {})[0].index(0)

    assert order(people=0.0) == 3
    assert order(people=20.0) == 0


def test_committed_stops_come_first_and_stay_with_their_rover():
    s = snapshot(3)
    orders = solve(s, {1: [5, 2]})
    assert sorted(orders[1][:2]) == [2, 5]
    assert sorted(n for order in orders for n in order) == list(range(8))


def test_the_stop_that_a_rover_drives_to_stays_its_first():
    base = snapshot(4)
    s = Scene(base.rovers, base.needs, base.minutes, base.settings, {6: 4.0})
    orders = solve(s, {0: [6, 1]})
    assert orders[0][:2] == [6, 1]
    assert s.legs(0, orders[0])[0].arrive == 4.0


def test_a_rover_takes_no_stop_that_it_would_reach_after_its_shift():
    s = scene([[30.0], [0.0]], [1.0], [rover(off_shift=29.0)])
    assert solve(s) == [[]]
    assert solve(scene([[30.0], [0.0]], [1.0], [rover(off_shift=31.0)])) == [[0]]


def test_a_rover_is_turned_off_to_a_graver_stop_also_where_its_own_then_waits_until_after_its_shift():
    # 5 min to where it drives, 5 to a far graver stop, 10 between them: 35 min until it arrives at the second
    needs = [need(1.0, visit=20.0), need(50.0, growth=1.0, visit=20.0)]
    minutes = np.array([[5.0, 5.0], [0.0, 10.0], [10.0, 0.0]])
    s = Scene([rover(off_shift=34.0)], needs, minutes, Settings(), {0: 5.0}, {0: 0})
    assert plan(s, [[0]] * 2, {}) == [[1, 0]]


@pytest.mark.parametrize("seed", range(40))
def test_whatever_the_drives_nobody_arrives_after_a_shift_but_where_it_was_to_go(seed):
    # a county's own table may say that a detour is shorter than the way: then a stop less may make the others late
    rng = np.random.default_rng(seed)
    rovers, needs = (3, 12) if seed % 2 else (15, 30)
    crew = [rover(f"R{r}", float(rng.choice([0, 20])), float(rng.uniform(20, 200))) for r in range(rovers)]
    s = scene(rng.uniform(2, 60, (rovers + needs, needs)), rng.lognormal(0, 1, needs), crew, visit=20.0)
    s = replace(s, under_way={r: float(rng.uniform(0, 15)) for r in (0, 1)}, drivers={0: 0, 1: 1})
    orders = plan(s, [range(rovers)] * needs, {2: [2, 3]})
    late = [
        leg.need
        for r, order in enumerate(orders)
        for leg in s.legs(r, order)
        if leg.arrive >= crew[r].off_shift and leg.need not in (2, 3) and s.drivers.get(leg.need) != r
    ]
    assert not late
    assert orders[2][:2] in ([2, 3], [3, 2])


def test_nobody_sets_off_during_a_break():
    s = scene([[10.0], [0.0]], [1.0], [rover(breaks=((-5.0, 25.0),))])
    leg = s.legs(0, [0])[0]
    assert (leg.leave, leg.arrive) == (25.0, 35.0)


def test_a_need_goes_only_to_a_rover_that_may_take_it():
    s = scene([[1.0], [50.0], [0.0]], [1.0], [rover("R1"), rover("R2")])
    assert plan(s, [[1]], {}) == [[], [0]]


def test_nobody_is_sent_for_next_to_nothing():
    def order(least):
        s = Scene([rover()], [need(0.1)], np.array([[200.0], [0.0]]), Settings({"dispatch.least_saving": least}), {})
        return plan(s, [[0]], {})

    # 240 min unvisited against 200: 0.1·40 = 4 voter-minutes, and the soft cap's 2 people for 40 min, 80
    assert order(least=83.9) == [[0]]
    assert order(least=84.1) == [[]]


def test_no_needs_or_no_rovers_make_an_empty_plan():
    assert plan(Scene([rover()], [], np.zeros((1, 0)), Settings(), {}), [], {}) == [[]]
    assert plan(Scene([], [need()], np.zeros((1, 1)), Settings(), {}), [[]], {}) == []


def test_a_plan_repeats_itself():
    assert solve(snapshot(7)) == solve(snapshot(7))


@pytest.mark.parametrize(("rovers", "needs"), list(product([1, 2, 20], [0, 1, 5])))
def test_every_need_is_planned_once_when_there_is_time(rovers, needs):
    orders = solve(snapshot(11, rovers, needs))
    assert sorted(n for order in orders for n in order) == list(range(needs))
