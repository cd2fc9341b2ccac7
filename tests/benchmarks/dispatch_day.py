"""A county's election day, played through under a dispatch policy: what a plan is worth, under this simulation's assumptions.

    uv run python tests/benchmarks/dispatch_day.py            # 30 days a case, all cases, a few minutes
    uv run python tests/benchmarks/dispatch_day.py 5 500/20   # 5 days of one case
    uv run python tests/benchmarks/dispatch_day.py 10 sensitivity

Everything about the day is invented and stands in `World`: no figure here was measured in a county. What is compared is the
voter-minutes lost under the product's plan and under "severity class, then first come, with hold", on the same days. Both
see what a hotline sees: category, the caller's severity, a noisy estimate of arrivals. Neither sees whether voting has
really stopped, whether the telephone will settle it, or how long a visit takes.
"""

import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

import numpy as np

from pipeline.estimates.dispatch.costs import Cost, clearing_factor
from pipeline.estimates.dispatch.needs import Need, stopped_given
from pipeline.estimates.dispatch.rovers import Rover
from pipeline.estimates.dispatch.scene import Scene
from pipeline.estimates.dispatch.search import plan
from pipeline.estimates.dispatch.skills import SKILLS
from pipeline.settings import Settings

AT = datetime(2026, 11, 3, tzinfo=UTC)
# Category: share of tickets, chance that voting at the unit has stopped, chance that a rover is needed, visit [min].
MIX = {
    "scanner-down": (0.14, 0.8, 0.9, 25),
    "scanner-jam": (0.26, 0.4, 0.5, 15),
    "memory-card": (0.03, 0.1, 0.7, 20),
    "tape-printer": (0.08, 0.0, 0.6, 12),
    "bin-full": (0.04, 0.3, 0.6, 12),
    "bmd": (0.10, 0.2, 0.7, 20),
    "accessible-device": (0.08, 0.2, 0.6, 15),
    "poll-book": (0.17, 0.5, 0.7, 22),
    "power": (0.04, 0.5, 0.6, 30),
    "ballot-stock": (0.06, 0.5, 0.9, 12),
}


@dataclass(frozen=True)
class World:
    """The assumptions of a day."""

    sites: int
    rovers: int
    tickets_a_site: float = 0.9  # tickets that a rover might be sent for, on a day [count]
    km2_a_site: float = 12.0  # area of the county by site
    voters: float = 900.0  # mean of a site's voters, lognormal with sd .6 of the log [count]
    hours: float = 13.0  # polls open [h]
    phone: float = 20.0  # mean time in which the telephone settles what it can [min]
    noise: float = 0.4  # sd of the log of the estimate of arrivals and of people held up
    misjudged: float = 0.3  # share of tickets whose severity the caller puts one class too high or too low
    visit_spread: float = 0.5  # sd of the log of a visit's length
    detour: float = 1.3  # road over straight distance
    speed: float = 40.0  # [km/h]
    drive_spread: float = 0.2  # sd of the log of a drive's length about what is expected
    skilled: float = 0.85  # chance that a rover has a skill


@dataclass
class Ticket:
    """One trouble: what a hotline knows, and what is true."""

    site: int
    category: str
    opened: float
    severity: int
    level_seen: float
    growth_seen: float
    level: float
    growth: float
    clearing: float
    by_phone: float  # age at which the telephone settles it; infinite if it takes a rover [min]
    visit: float
    place: complex
    arrived: float = math.inf
    ended: float = math.inf

    def lost(self, end: float) -> float:
        """Voter-minutes truly lost if it is mended at `end` [min of the day]."""
        return Cost(self.level, self.growth, clearing=self.clearing)(max(0.0, min(end - self.opened, self.by_phone)))


@dataclass
class Van:
    """A rover of the simulation."""

    place: complex
    skills: frozenset[str]
    busy_until: float = 0.0  # end of the visit in hand [min of the day]
    target: int | None = None
    left: float = 0.0
    origin: complex = 0j
    there: float = 0.0  # when it will arrive

    def where(self, now: float) -> complex:
        """Where it is, on a straight way."""
        if self.target is None:
            return self.place
        part = (now - self.left) / max(self.there - self.left, 1e-9)
        return self.origin + (self.place - self.origin) * min(1.0, max(0.0, part))


@dataclass
class Day:
    """One day's draw and its state as it is played."""

    world: World
    tickets: list[Ticket]
    vans: list[Van]
    places: np.ndarray
    random: np.random.Generator
    redirects: int = 0
    plans: list[float] = field(default_factory=list)  # seconds taken by each
    kept: dict[int, list[int]] = field(default_factory=dict)  # the last plan, by rover

    def drive(self, start: complex, end: complex) -> float:
        """Expected drive [min]."""
        if start == end:
            return 0.0
        return abs(end - start) * self.world.detour / self.world.speed * 60 + 2

    def open(self, now: float) -> list[int]:
        """Tickets that are in, not reached and not known to be settled."""
        return [
            n
            for n, t in enumerate(self.tickets)
            if t.opened <= now and math.isinf(t.arrived) and now - t.opened < t.by_phone
        ]

    def go(self, van: Van, ticket: int, now: float) -> None:
        """Sends a rover off; one that was under way to another place is redirected."""
        if van.target == ticket:
            return
        start = van.where(now)
        self.redirects += van.target is not None
        van.origin, van.place, van.target, van.left = start, self.tickets[ticket].place, ticket, now
        spread = math.exp(self.random.normal(0, self.world.drive_spread))
        van.there = now + self.drive(start, van.place) * spread


def pace(minute: float, hours: float) -> float:
    """Arrivals at a time of day over their mean: a peak at opening, one at noon, one after work."""
    x = minute / 60
    return (
        0.75
        + 0.9 * math.exp(-((x / 1.0) ** 2))
        + 0.35 * math.exp(-(((x - 5.5) / 1.5) ** 2))
        + 0.7 * math.exp(-(((x - hours + 2.5) / 1.5) ** 2))
    )


def draw(world: World, seed: int) -> Day:
    """A county and its day."""
    rng = np.random.default_rng(seed)
    side = math.sqrt(world.sites * world.km2_a_site)
    town = rng.random(world.sites) < 0.5  # half the places lie in towns: our choice
    centres = rng.uniform(0.2 * side, 0.8 * side, (max(1, world.sites // 50), 2))
    xy = np.where(
        town[:, None],
        centres[rng.integers(len(centres), size=world.sites)] + rng.normal(0, side / 16, (world.sites, 2)),
        rng.uniform(0, side, (world.sites, 2)),
    )
    places = xy[:, 0] + 1j * xy[:, 1]
    voters = world.voters * np.exp(rng.normal(-0.18, 0.6, world.sites))
    vans = []
    for _ in range(world.rovers):
        own = frozenset(s for s in sorted(set(SKILLS.values())) if rng.random() < world.skilled) | {"scanner"}
        vans.append(Van(complex(*rng.uniform(0.2 * side, 0.8 * side, 2)), frozenset(own)))
    names, shares = list(MIX), np.array([row[0] for row in MIX.values()])
    count = rng.poisson(world.tickets_a_site * world.sites)
    tickets = [
        draw_ticket(world, rng, int(rng.integers(world.sites)), places, voters, str(rng.choice(names, p=shares)))
        for _ in range(count)
    ]
    return Day(world, sorted(tickets, key=lambda t: t.opened), vans, places, rng)


def draw_ticket(
    world: World, rng: np.random.Generator, site: int, places: np.ndarray, voters: np.ndarray, category: str
) -> Ticket:
    """One trouble and what is told of it."""
    _, stops, needs_rover, visit = MIX[category]
    total = world.hours * 60
    opened = float(rng.exponential(60)) if rng.random() < 0.25 else float(rng.uniform(0, total))  # a rush at opening
    opened = min(opened, total - 1)
    arrivals = voters[site] / total * pace(opened, world.hours)
    units = max(1, round(voters[site] / (900 if SKILLS[category] == "scanner" else 300)))
    is_stopped = rng.random() < stops
    growth = arrivals / units if is_stopped else 0.0
    held = rng.exponential(4.0 if is_stopped else 1.0)
    severity = (1 if units == 1 else 2) if is_stopped else (3 if stops else 4)
    if rng.random() < world.misjudged:
        severity = min(4, max(1, severity + int(rng.choice([-1, 1]))))
    seen = math.exp(rng.normal(0, world.noise))
    capacity = 3.0 * units if SKILLS[category] == "scanner" else 0.8 * units
    return Ticket(
        site=site,
        category=category,
        opened=opened,
        severity=severity,
        level_seen=held * math.exp(rng.normal(0, world.noise)),
        growth_seen=arrivals / units * seen,
        level=held,
        growth=growth,
        clearing=clearing_factor(arrivals, capacity),
        by_phone=math.inf if rng.random() < needs_rover else float(rng.exponential(world.phone)),
        visit=visit * math.exp(rng.normal(-(world.visit_spread**2) / 2, world.visit_spread)),
        place=complex(places[site]),
    )


Policy = Callable[[Day, float], dict[int, int]]


def by_severity(day: Day, now: float) -> dict[int, int]:
    """Severity class, then first come; a free rover goes unless a busy one would be there more than 3 min sooner."""
    taken = {van.target for van in day.vans}
    free = {v for v, van in enumerate(day.vans) if van.target is None and van.busy_until <= now}
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
            (ready(day, v, now) + day.drive(day.vans[v].place, ticket.place) for v in able if v not in free),
            default=math.inf,
        )
        if near[0] <= soon + 3:
            found[near[1]] = n
            free.discard(near[1])
    return found


def ready(day: Day, v: int, now: float) -> float:
    """Minutes until a rover that drives or works is free, as expected."""
    van = day.vans[v]
    if van.target is not None:
        return max(0.0, van.there - now) + 20.0
    return max(1.0, van.busy_until - now)


def needs_of(day: Day, now: float, numbers: list[int], settings: Settings) -> list[Need]:
    """The open tickets as the product weighs them: chance of a stop by category and severity, Bayes on the telephone."""
    found = []
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
                20.0,
                age,
            )
        )
    return found


def by_plan(settings: Settings, visit_known: bool = False) -> Policy:
    """The product's plan, made anew from the last one; a rover under way is diverted where the plan says so."""

    def policy(day: Day, now: float) -> dict[int, int]:
        numbers = day.open(now)
        if not numbers:
            return {}
        position = {n: k for k, n in enumerate(numbers)}
        needs = needs_of(day, now, numbers, settings)
        ends = np.array([day.tickets[n].place for n in numbers])
        rovers, starts, under_way, drivers = [], [], {}, {}
        for v, van in enumerate(day.vans):
            busy = max(0.0, van.busy_until - now) if van.target is None else 0.0
            starts.append(van.where(now))
            rovers.append(Rover(f"R{v}", (0.0, 0.0), busy, None, van.skills, {}, day.world.hours * 60 + 120 - now, ()))
            if van.target in position:
                under_way[position[van.target]] = max(0.0, van.there - now)
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
        return {
            v: numbers[order[0]]
            for v, order in enumerate(orders)
            if order and day.vans[v].busy_until <= now and (day.vans[v].target != numbers[order[0]])
        }

    return policy


def play(day: Day, policy: Policy, step: float = 2.0) -> dict[str, float]:
    """Plays a day, and says what it cost.

    The policy is asked every `step` minutes if anything has changed: a call, a settled ticket, a rover that became free.
    """
    end, now = day.world.hours * 60, 0.0
    seen: tuple = ()
    while now <= end + 120:
        for van in day.vans:
            arrive(day, van, now)
        free = tuple(v for v, van in enumerate(day.vans) if van.target is None and van.busy_until <= now)
        numbers = tuple(day.open(now))
        if numbers and (numbers, free) != seen:
            for v, n in policy(day, now).items():
                day.go(day.vans[v], n, now)
            seen = (numbers, free)
        now += step
    return told(day, end)


def arrive(day: Day, van: Van, now: float) -> None:
    """Lets a rover arrive and work; one whose trouble is settled by telephone stops where it is."""
    if van.target is None:
        return
    ticket = day.tickets[van.target]
    if van.there > now:
        if now - ticket.opened >= ticket.by_phone:  # called off on the way, under either policy; no redirect
            van.place, van.target = van.where(now), None
        return
    settled = van.there - ticket.opened >= ticket.by_phone
    if math.isinf(ticket.arrived):
        ticket.arrived = van.there
        work = 2.0 if settled else ticket.visit
        ticket.ended = van.there + work
        van.busy_until = ticket.ended
    van.target = None


def told(day: Day, end: float) -> dict[str, float]:
    """The figures of a day that has been played."""
    needed = [t for t in day.tickets if math.isinf(t.by_phone)]
    waits = np.array([min(t.arrived, end) - t.opened for t in needed])
    far = np.abs(day.places - day.places.mean())
    quarter = np.quantile(far, [0.25, 0.75])
    apart = np.array([far[t.site] for t in needed])
    return {
        "lost": sum(t.lost(min(t.ended, end)) for t in day.tickets),
        "tickets": len(day.tickets),
        "over_120": float((waits > 120).mean()),
        "wait": float(waits.mean()),
        "near": float(waits[apart <= quarter[0]].mean()),
        "outlying": float(waits[apart >= quarter[1]].mean()),
        "redirects": day.redirects / len(day.tickets),
        "busiest_plan_ms": 1000 * max(day.plans, default=0.0),
    }


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
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    which = sys.argv[2:] or list(CASES)
    for name in which:
        if name == "sensitivity":
            sensitivity(days)
        else:
            print(report(name, compare(CASES[name], days, Settings()), GOALS[name]), flush=True)


if __name__ == "__main__":
    main()
