"""What a plan is worth on simulated election days, against "severity class, then first come, with hold".

    uv run python tests/benchmarks/dispatch_day.py            # 30 days a case, all cases, a few minutes
    uv run python tests/benchmarks/dispatch_day.py 5 500/20   # 5 days of one case
    uv run python tests/benchmarks/dispatch_day.py 10 sensitivity

The days are those of `simulated_day.py`, all invented. What is compared is the voter-minutes lost under the product's plan
and under the plain rule, on the same days. Both see what a hotline sees: category, the caller's severity, a noisy estimate
of arrivals. Neither sees whether voting has really stopped, whether the telephone will settle it, or how long a visit takes.
"""

import math
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from simulated_day import Day, Policy, World, draw, play

from pipeline.estimates.dispatch.costs import Cost
from pipeline.estimates.dispatch.needs import Need, stopped_given
from pipeline.estimates.dispatch.outlying import farther_than_usual
from pipeline.estimates.dispatch.rovers import Rover
from pipeline.estimates.dispatch.scene import Scene
from pipeline.estimates.dispatch.search import plan
from pipeline.estimates.dispatch.skills import SKILLS
from pipeline.estimates.dispatch.standby import waiting_places
from pipeline.settings import Settings

ASSUMED = Settings()
AT = datetime(2026, 11, 3, tzinfo=UTC)


def by_severity(day: Day, now: float) -> dict[int, int]:
    """Severity class, then first come; a free rover goes unless a busy one would be there more than 3 min sooner."""
    taken = {van.target for van in day.vans}
    free = {v for v, van in enumerate(day.vans) if van.target is None and van.busy_until <= now}
    usual = day.usual_visits(now, ASSUMED)
    free_in = [max(1.0, day.free_in(v, now, usual, ASSUMED)) for v in range(len(day.vans))]
    found: dict[int, int] = {}
    for n in sorted(day.open(now), key=lambda n: (day.tickets[n].severity, day.tickets[n].opened)):
        ticket = day.tickets[n]
        if n in taken:
            continue
        able = [v for v, van in enumerate(day.vans) if SKILLS[ticket.category] in van.skills]
        near = min(((day.drive(day.vans[v].place, ticket.place), v) for v in able if v in free), default=None)
        if near is None:
            continue
        soon = min(
            (free_in[v] + day.drive(day.vans[v].place, ticket.place) for v in able if v not in free),
            default=math.inf,
        )
        if near[0] <= soon + 3:
            found[near[1]] = n
            free.discard(near[1])
    return found


def needs_of(day: Day, now: float, numbers: list[int], settings: Settings) -> list[Need]:
    """The open tickets as the product weighs them: chance of a stop by category and severity, Bayes on the telephone."""
    found = []
    farther, usual = farther_out(day), day.usual_visits(now, settings)
    for n in numbers:
        t = day.tickets[n]
        name = t.category.replace("-", "_")
        q = settings[f"dispatch.needs_rover_{name}"]
        age = now - t.opened
        chance = q / (q + (1 - q) * math.exp(-age / settings["dispatch.phone_minutes"]))
        stopped = stopped_given(settings.get(f"dispatch.stopped_{name}", 0.5), t.severity)
        least = settings[f"dispatch.least_people_{t.severity}"]
        cost = Cost(max(t.level_seen, least), t.growth_seen * stopped, clearing=t.clearing)
        found.append(
            Need(
                "S",
                frozenset([SKILLS[t.category]]),
                (t.category,),
                (str(n),),
                None,
                AT,
                t.severity,
                cost,
                chance,
                usual[t.category],
                age,
                farther=farther[t.site],
            )
        )
    return found


def farther_out(day: Day) -> list[float]:
    """By site, how much farther out it lies than is usual."""
    return farther_than_usual(np.column_stack([day.places.real, day.places.imag]), day.world.rovers).tolist()


def by_plan(settings: Settings) -> Policy:
    """The product's plan, made anew from the last one: diversions and waiting places as it says."""

    def policy(day: Day, now: float) -> dict[int, int]:
        numbers = day.open(now)
        position = {n: k for k, n in enumerate(numbers)}
        needs = needs_of(day, now, numbers, settings)
        ends = np.array([day.tickets[n].place for n in numbers])
        rovers, starts, under_way, drivers = [], [], {}, {}
        usual = day.usual_visits(now, settings)
        for v, van in enumerate(day.vans):
            busy = day.free_in(v, now, usual, settings) if van.target is None else 0.0
            starts.append(van.where(now))
            rovers.append(Rover(f"R{v}", (0.0, 0.0), busy, None, van.skills, {}, day.world.hours * 60 + 120 - now, ()))
            if van.target in position:
                under_way[position[van.target]] = max(0.0, van.expected - now)
                drivers[position[van.target]] = v
        apart = np.abs(np.concatenate([np.array(starts), ends])[:, None] - ends[None, :])
        minutes = np.where(apart > 0, apart * day.world.detour / day.world.speed * 60 + 2, 0.0)
        able: dict[str, list[int]] = {}
        allowed = [
            able.setdefault(s, [v for v, van in enumerate(day.vans) if s in van.skills])
            for s in (SKILLS[day.tickets[n].category] for n in numbers)
        ]
        scene = Scene(rovers, needs, minutes, settings, under_way, drivers)
        start = [[position[n] for n in day.kept.get(v, []) if n in position] for v in range(len(rovers))]
        began = time.perf_counter()
        orders = plan(scene, allowed, {}, start)
        day.plans.append(time.perf_counter() - began)
        day.kept = {v: [numbers[k] for k in order] for v, order in enumerate(orders)}
        stand_by(day, now, scene, orders, ends, settings)
        return {
            v: numbers[order[0]]
            for v, order in enumerate(orders)
            if order and day.vans[v].busy_until <= now and (day.vans[v].target != numbers[order[0]])
        }

    return policy


def stand_by(day: Day, now: float, scene: Scene, orders: list[list[int]], ends: np.ndarray, settings: Settings) -> None:
    """Sends the rovers without a stop to where the product would have them wait; every site counts alike."""
    idle = [v for v, van in enumerate(day.vans) if not orders[v] and van.target is None and van.busy_until <= now]
    if not idle:
        return
    per_km, sites = day.world.detour / day.world.speed * 60, day.places
    candidates = sites[:: max(1, len(sites) // 100)]
    between = np.abs(candidates[:, None] - sites[None, :]) * per_km
    here = np.array([day.vans[v].where(now) for v in idle])
    drives = np.abs(here[:, None] - np.concatenate([candidates, sites])[None, :]) * per_km
    covered = np.full(len(sites), 1e3)
    for v, van in enumerate(day.vans):
        if v not in idle:
            legs = scene.legs(v, orders[v])
            done, place = (legs[-1].done, ends[legs[-1].need]) if legs else (scene.rovers[v].free_at, van.place)
            covered = np.minimum(covered, done + np.abs(place - sites) * per_km)
    power, worth = settings["dispatch.standby_power"], settings["dispatch.standby_worth_minutes"]
    for v, place in zip(idle, waiting_places(between, drives, covered, np.ones(len(sites)), worth, power), strict=True):
        if place is not None:
            day.wait_at(day.vans[v], candidates[place], now)


CASES = {
    "50/3": World(50, 3),
    "500/30": World(500, 30),
    "500/20": World(500, 20),
    "500/30 double": World(500, 30, tickets_a_site=1.8),
}
GOALS = {"50/3": 0.80, "500/30": 0.80, "500/20": 0.72, "500/30 double": 0.60}


def compare(world: World, days: int, settings: Settings, first: int = 1) -> dict[str, list[dict[str, float]]]:
    """Both policies on the same days."""
    found: dict[str, list[dict[str, float]]] = {"plan": [], "base": []}
    for seed in range(first, first + days):
        found["base"].append(play(draw(world, seed), by_severity))
        found["plan"].append(play(draw(world, seed), by_plan(settings)))
    return found


def report(name: str, found: dict[str, list[dict[str, float]]], goal: float | None = None) -> str:
    """One line: the ratio of voter-minutes lost with its 90 % interval over days (bootstrap), and the rest."""
    ours, base = ({k: np.array([d[k] for d in rows]) for k in rows[0]} for rows in (found["plan"], found["base"]))
    rng = np.random.default_rng(0)
    picks = rng.integers(0, len(ours["lost"]), (2000, len(ours["lost"])))
    low, high = np.quantile(ours["lost"][picks].sum(axis=1) / base["lost"][picks].sum(axis=1), [0.05, 0.95])
    return (
        f"{name:34} lost {ours['lost'].sum() / base['lost'].sum():.3f} ({low:.3f} to {high:.3f})"
        + (f", goal {goal:.2f}" if goal else "")
        + f"; waits {ours['wait'].mean():.0f} against {base['wait'].mean():.0f} min, over 120 min "
        f"{ours['over_120'].mean():.1%} against {base['over_120'].mean():.1%}; outlying over near "
        f"{ours['outlying'].mean() / ours['near'].mean():.2f} ({base['outlying'].mean() / base['near'].mean():.2f}); "
        f"redirects {ours['redirects'].mean():.2f} a ticket; slowest plan {ours['busiest_plan_ms'].max():.0f} ms"
    )


def sensitivity(days: int) -> None:
    """500 sites and 30 rovers, one assumption changed at a time."""
    base = CASES["500/30"]
    changes = {
        "as assumed": {},
        "estimates worse: noise 1.0": {"noise": 1.0},
        "estimates exact: noise 0": {"noise": 0.0},
        "severity never misjudged": {"misjudged": 0.0},
        "severity half misjudged": {"misjudged": 0.5},
        "telephone twice as slow": {"phone": 40.0},
        "half the tickets": {"tickets_a_site": 0.45},
        "wider county: 40 km² a site": {"km2_a_site": 40.0},
        "faster roads: 60 km/h": {"speed": 60.0},
        "visits all alike": {"visit_spread": 0.0},
        "every rover can do all": {"skilled": 1.0},
    }
    for name, change in changes.items():
        print(report(name, compare(replace(base, **change), days, Settings())), flush=True)


def main() -> None:
    """Compares the cases that were asked for, all of them by default."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    which = sys.argv[2:] or list(CASES)
    for name in which:
        if name == "sensitivity":
            sensitivity(days)
        else:
            print(report(name, compare(CASES[name], days, Settings()), GOALS[name]), flush=True)


if __name__ == "__main__":
    main()
