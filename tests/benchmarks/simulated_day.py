"""A simulated election day of a county, for `dispatch_day.py`: what happens, and how it goes under a dispatch policy.

Everything about the day is invented and stands in `World` and `MIX`: no figure here was measured in a county.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline.estimates.dispatch.censored import Spells, mean_length, still_to_go
from pipeline.estimates.dispatch.costs import Cost, clearing_factor
from pipeline.estimates.dispatch.skills import SKILLS

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
    busy_until: float = 0.0  # end of the visit in hand; no policy knows it before [min of the day]
    at_work: int | None = None  # the ticket that it visits, or visited last
    target: int | None = None
    left: float = 0.0
    origin: complex = 0j
    expected: float = 0.0  # when it should arrive
    there: float = 0.0  # when it will arrive; no policy knows it before
    is_moving: bool = False  # without a stop, to where it shall wait

    def where(self, now: float) -> complex:
        """Where it is, on a straight way."""
        if self.target is None and not self.is_moving:
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
    luck: np.ndarray  # by rover and ticket, how much longer a drive takes than is expected [-]
    redirects: int = 0
    plans: list[float] = field(default_factory=list)  # seconds taken by each
    kept: dict[int, list[int]] = field(default_factory=dict)  # the last plan, by rover

    def drive(self, start: complex, end: complex) -> float:
        """Expected drive [min]."""
        if start == end:
            return 0.0
        return abs(end - start) * self.world.detour / self.world.speed * 60 + 2

    def usual_visits(self, now: float, settings: Mapping[str, float]) -> dict[str, float]:
        """How long a visit takes by category, as the day's visits have taught so far [min]."""
        spells = {category: Spells() for category in MIX}
        for t in self.tickets:
            if t.ended <= now:
                spells[t.category].ended.append(t.ended - t.arrived)
            elif t.arrived <= now:
                spells[t.category].running.append(now - t.arrived)
        weight, usual = settings["dispatch.pooled_tickets"], settings["dispatch.visit_minutes"]
        return {c: mean_length(s, weight, usual, left_open=0.0) for c, s in spells.items()}  # all of them are closed

    def free_in(self, v: int, now: float, usual: Mapping[str, float], settings: Mapping[str, float]) -> float:
        """Minutes until a rover is free, as expected by who sees when it arrived and not how long it will take."""
        van = self.vans[v]
        if van.target is not None:
            return max(0.0, van.expected - now) + usual[self.tickets[van.target].category]
        if van.busy_until <= now or van.at_work is None:
            return 0.0
        ticket = self.tickets[van.at_work]
        spread, left_open = settings["dispatch.visit_spread"], settings["dispatch.left_open"]
        return still_to_go(usual[ticket.category], spread, now - ticket.arrived, left_open)

    def open(self, now: float) -> list[int]:
        """Tickets that are in, not reached and not known to be settled."""
        return [
            n
            for n, t in enumerate(self.tickets)
            if t.opened <= now and math.isinf(t.arrived) and now - t.opened < t.by_phone
        ]

    def go(self, v: int, ticket: int, now: float) -> None:
        """Sends a rover off; one that was under way to another place is redirected."""
        van = self.vans[v]
        if van.target == ticket:
            return
        start = van.where(now)
        self.redirects += van.target is not None
        van.origin, van.place, van.target, van.left = start, self.tickets[ticket].place, ticket, now
        van.is_moving = False
        drive = self.drive(start, van.place)
        van.expected, van.there = now + drive, now + drive * self.luck[v, ticket]

    def wait_at(self, van: Van, place: complex, now: float) -> None:
        """Sends a rover without a stop to where it shall wait."""
        if van.target is None and place != van.place:
            start = van.where(now)
            van.origin, van.place, van.left, van.is_moving = start, place, now, True
            van.there = now + self.drive(start, place)


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
    luck = np.exp(rng.normal(0, world.drive_spread, (world.rovers, count)))
    return Day(world, sorted(tickets, key=lambda t: t.opened), vans, places, luck)


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
        if (numbers, free) != seen:
            for v, n in policy(day, now).items():
                day.go(v, n, now)
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
        van.at_work = van.target
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
