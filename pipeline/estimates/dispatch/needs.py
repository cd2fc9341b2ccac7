"""What a rover could be sent to: the open troubles of each site, their cost as they age, and who could mend them."""

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.cautions import danger_sites
from pipeline.estimates.dispatch.costs import Cost, clearing_factor, coming_to
from pipeline.estimates.dispatch.decisions import Decisions, Given
from pipeline.estimates.dispatch.families import families
from pipeline.estimates.dispatch.learning import Learnt, learnt, still_needs
from pipeline.estimates.dispatch.skills import SKILLS, can, for_a_rover, skills_of

UNIT_TYPES = {"scanner": "scan", "bmd": "bmd", "poll-book": "electronic-poll-book"}  # start of the DeviceType
SCANNER, CHECKIN, BOTH = ("scanner_waiting",), ("checkin_waiting",), ("checkin_waiting", "scanner_waiting")
LINES = {"scanner": SCANNER, "poll-book": CHECKIN, "power": BOTH, "supplies": BOTH, "bmd": ()}
HOUR = 60.0  # the horizon of `voter_minutes_at_risk` [min]


@dataclass(frozen=True)
class Need:
    """One stop that somebody should make: the open troubles of a site that one skill set mends."""

    site_id: str
    skills: frozenset[str]
    categories: tuple[str, ...]
    ticket_ids: tuple[str, ...]
    unit_id: str | None
    since: datetime
    severity: int
    cost: Cost
    chance: float  # that it still needs a rover
    visit_minutes: float
    age: float  # [min] at T
    waiting: float = 0.0  # people in the lines that it holds up
    site_confidence: float = 1.0
    rover_id: str | None = None  # the rover already on the way
    assigned_at: datetime | None = None
    is_overdue: bool = False  # given to that rover long ago, and nothing heard since
    is_pinned: bool = False  # a person wants that rover there next
    is_entered: bool = False  # a person's entry gave it to that rover: it is nobody else's
    foreseen: str | None = None  # what is foreseen, in words, where no ticket speaks of it
    deadline: datetime | None = None  # when it begins to cost
    people: int = 1  # rovers that it takes at the same time
    partner: str | None = None  # the other rover, where it takes two
    without: str | None = None  # the rover that is there already
    also: tuple["Need", ...] = ()  # what is foreseen there, seen to on the same visit
    farther: float = 0.0  # how much farther out its site lies than is usual: 1 is twice as far [-]
    most: float = math.inf  # that can be lost at all, where an estimate to closing says so [voter-minutes]

    def alone(self, minutes: float) -> float:
        """As `lost`, without what is seen to on the same visit."""
        return self.chance * (self.cost(self.age + minutes) - self.cost(self.age))

    def lost(self, minutes: float) -> float:
        """Voter-minutes lost from T if it is mended `minutes` after T, weighed by the chance that it needs a rover."""
        return self.alone(minutes) + sum(more.lost(minutes) for more in self.also)

    def missed(self, minutes: float) -> float:
        """Voter-minutes lost if nobody comes for so long: as `lost`, which grows on, but no more than can be lost."""
        return min(self.alone(minutes), self.chance * self.most) + sum(more.missed(minutes) for more in self.also)

    @property
    def chance_needed(self) -> float:
        """The chance that the likeliest of what the visit is for needs a rover."""
        return max(self.chance, *(more.chance for more in self.also)) if self.also else self.chance


@dataclass(frozen=True)
class Outage:
    """What a site off mains is expected to lose by closing [voter-minutes], and when its first battery is empty."""

    voter_minutes: float
    empty_at: datetime | None


@dataclass
class Trouble:
    """One open ticket that may need a rover, with what its row says."""

    row: Mapping[str, Any]
    category: str
    skill: str | None
    root: str
    companions: list[str] = field(default_factory=list)


def open_needs(
    known: Known, tickets: pl.DataFrame, loads: pl.DataFrame, power: pl.DataFrame, decided: Decisions | None = None
) -> list[Need]:
    """The stops worth making, from the tickets: committed ones first, then by site. None where danger is reported.

    One stop a site for all troubles that some rostered rover can mend together, else one a skill. Tickets that
    repeat each other share a stop; a ticket already given to a rover stays with that rover. What a person has decided
    comes first.
    """
    decided = decided or Decisions()
    rows = joined(known, tickets)
    troubles = open_troubles(known, rows, decided)
    site_load = {row["site_id"]: row for row in loads.sort("site_id").iter_rows(named=True)}
    rates = learnt(known, rows)
    off = outages(power)
    peers = units_by_kind(known)
    needs = []
    for (site_id, rover_id, skills), members in sorted(stops(known, troubles).items(), key=lambda item: str(item[0])):
        singles = [
            one_need(known, trouble, site_load.get(site_id), rates, off.get(site_id), peers) for trouble in members
        ]
        together = merged(singles, known.settings["dispatch.further_minutes"])
        given = decided.given.get(site_id)
        is_own = given is not None and given.rover_id == rover_id
        needs.append(
            replace(
                together,
                site_id=site_id,
                skills=skills,
                rover_id=rover_id,
                is_entered=is_own,
                is_pinned=is_own and given is not None and given.is_pinned,
            )
        )
    return needs


def joined(known: Known, tickets: pl.DataFrame) -> pl.DataFrame:
    """The tickets' estimate with the times of their visits, each ticket once, in a fixed order."""
    own = ["ticket_id", "assigned_at", "rover_id", "arrived_at", "resolved_at"]
    return tickets.unique("ticket_id").join(known.tickets.select(own), on="ticket_id", how="left").sort("ticket_id")


def open_troubles(known: Known, rows: pl.DataFrame, decided: Decisions | None = None) -> list[Trouble]:
    """The tickets that nobody has reached yet and that a rover could mend, at sites where no danger is reported."""
    decided = decided or Decisions()
    sites, rovers = set(known.sites["site_id"]), set(known.rovers["rover_id"])
    away = danger_sites(rows, decided.cleared)
    by_id = {row["ticket_id"]: row for row in rows.iter_rows(named=True)}
    settled = {ticket_id for ticket_id, row in by_id.items() if row["status"] == "resolved" or row["arrived_at"]}
    found = []
    for root, family in families(by_id.values()).items():
        last_heard_at = max(row["opened_at"] for row in family)
        for row in family:
            place = row["site_id"] or (by_id.get(root) or row)["site_id"]
            category = for_a_rover(row)
            sent = sent_to(row, place, rovers, decided)
            if row["status"] == "resolved" or place not in sites or place in away or is_reached(row, family, known.at):
                continue
            if category or sent:
                named = dict(row) | {
                    "site_id": place,
                    "rover_id": sent.rover_id if sent else None,
                    "assigned_at": sent.at if sent else row["assigned_at"],
                    "last_heard_at": last_heard_at,
                    "repeats": bool(row["same_as"]) and row["same_as"] in settled,
                }
                found.append(Trouble(named, category or row["category"], SKILLS.get(category or ""), root))
    return found


def sent_to(row: Mapping[str, Any], site_id: str, rovers: Collection[str], decided: Decisions) -> Given | None:
    """The rover that a ticket was given to, by the hotline or by a later decision, and when; None for anybody's."""
    by_hotline = None
    if row["status"] == "assigned" and row["rover_id"] in rovers:
        by_hotline = Given(row["rover_id"], row["assigned_at"] or row["opened_at"], False)
        if row["rover_id"] in decided.away or not decided.may_go(row["rover_id"], site_id):
            by_hotline = None
    entered = decided.given.get(site_id)
    if entered is None or (by_hotline and by_hotline.at > entered.at and by_hotline.rover_id != entered.rover_id):
        return by_hotline
    return entered


def is_reached(row: Mapping[str, Any], family: Iterable[Mapping[str, Any]], at: datetime) -> bool:
    """Whether a rover is or was there for this trouble, or another report of it was settled after this one came in."""
    if row["arrived_at"] is not None and row["arrived_at"] <= at:
        return True
    ends = [other[name] for other in family for name in ("arrived_at", "resolved_at") if other is not row]
    return any(end is not None and row["opened_at"] <= end <= at for end in ends)


def stops(known: Known, troubles: list[Trouble]) -> dict[tuple[str, str | None, frozenset[str]], list[Trouble]]:
    """Troubles by stop: (site, the rover already sent or null, the skills that the stop asks for)."""
    crews = {row["rover_id"]: skills_of(row["skills"]) for row in known.rovers.sort("rover_id").iter_rows(named=True)}
    sent: dict[tuple[str, str], list[Trouble]] = {}
    loose: dict[str, list[Trouble]] = {}
    for trouble in troubles:
        site_id, rover_id = trouble.row["site_id"], trouble.row["rover_id"]
        if rover_id is not None:
            sent.setdefault((site_id, rover_id), []).append(trouble)
        else:
            loose.setdefault(site_id, []).append(trouble)
    for (site_id, rover_id), members in sorted(
        sent.items()
    ):  # a rover on its way also sees to what else is wrong there
        roots = {member.root for member in members}
        joins = [t for t in loose.get(site_id, []) if t.root in roots or can(crews[rover_id], {t.skill})]
        members += joins
        loose[site_id] = [t for t in loose.get(site_id, []) if t not in joins]
    grouped: dict[tuple[str, str | None, frozenset[str]], list[Trouble]] = {
        (site_id, rover_id, needed(members)): members for (site_id, rover_id), members in sent.items()
    }
    for site_id, members in loose.items():
        if not members:
            continue
        if any(can(skills, needed(members)) for skills in crews.values()):
            grouped[site_id, None, needed(members)] = members
            continue
        for member in members:
            grouped.setdefault((site_id, None, needed([member])), []).append(member)
    return grouped


def needed(members: Iterable[Trouble]) -> frozenset[str]:
    """The skills that these troubles ask for."""
    return frozenset(member.skill for member in members if member.skill)


def outages(power: pl.DataFrame) -> dict[str, Outage]:
    """By site that is off mains: what power's own estimate expects there, all its units together."""
    off = power.filter(pl.col("supply").is_in(["battery", "dark"]) & pl.col("site_id").is_not_null())
    rows = off.group_by("site_id").agg(pl.col("expected_voter_minutes").sum(), pl.col("empty_at_mean").min())
    return {row["site_id"]: Outage(row["expected_voter_minutes"], row["empty_at_mean"]) for row in rows.to_dicts()}


def units_by_kind(known: Known) -> dict[tuple[str, str], int]:
    """Deployed units by site and the skill that mends them."""
    found: dict[tuple[str, str], int] = {}
    for site_id, kind, role in known.units.select("site_id", "type", "role").iter_rows():
        for skill, start in UNIT_TYPES.items():
            if site_id and role != "spare" and (kind or "").startswith(start):
                found[site_id, skill] = found.get((site_id, skill), 0) + 1
    return found


def one_need(
    known: Known,
    trouble: Trouble,
    load: Mapping[str, Any] | None,
    rates: Mapping[str, Learnt],
    outage: Outage | None,
    peers: Mapping[tuple[str, str], int],
) -> Need:
    """A need for one ticket alone."""
    row, skill = trouble.row, trouble.skill or ""
    age = max(0.0, (known.at - row["opened_at"]).total_seconds() / 60)
    rate = rates.get(trouble.category, Learnt(1.0, known.settings["dispatch.visit_minutes"], 1.0, 1.0))
    stopped = chance_stopped(known, trouble)
    arrivals = (load or {}).get("arrivals_per_minute") or 0.0
    growth = stopped * arrivals / max(1, peers.get((row["site_id"], skill), 1))
    capacity = line_capacity(known, row["site_id"], skill, peers)
    waiting = sum((load or {}).get(name) or 0.0 for name in LINES.get(skill, ()))
    confidence = 1.0 if row["site_confidence"] is None else row["site_confidence"]
    chance = 1.0 if row["rover_id"] else confidence * still_needs(known, row, rate)
    if trouble.category == "power" and outage is not None:
        cost = as_power_says(known, row, outage, age, (load or {}).get("minutes_to_close") or 0.0)
    else:
        cost = replace(fitted(known, row, growth, age), clearing=clearing_factor(arrivals, capacity))
    return Need(
        site_id=row["site_id"],
        skills=frozenset([skill] if skill else []),
        categories=(trouble.category,),
        ticket_ids=(row["ticket_id"],),
        unit_id=row["unit_id"],
        since=row["opened_at"],
        severity=row["severity"],
        cost=cost,
        chance=chance,
        visit_minutes=rate.visit_minutes,
        age=age,
        waiting=waiting,
        site_confidence=confidence,
        assigned_at=row["assigned_at"] if row["rover_id"] else None,
    )


def line_capacity(known: Known, site_id: str, skill: str, peers: Mapping[tuple[str, str], int]) -> float:
    """Voters a minute that the line held up can serve when all is well."""
    if skill == "scanner":
        return known.settings["dispatch.scanner_per_minute"] * max(1, peers.get((site_id, skill), 1))
    stations = known.sites.filter(pl.col("site_id") == site_id)["checkin_stations"].to_list()
    return known.settings["dispatch.checkin_per_minute"] * max(1, (stations or [1])[0] or 1)


def chance_stopped(known: Known, trouble: Trouble) -> float:
    """The chance that voting stops at this unit."""
    name = f"dispatch.stopped_{trouble.category.replace('-', '_')}"
    return 0.0 if trouble.category == "power" else stopped_given(known.settings.get(name, 0.0), trouble.row["severity"])


def stopped_given(chance: float, severity: int) -> float:
    """The chance that a unit has stopped, by its category's and by what the caller said.

    Severities 1 and 2 say that voting, or the only unit of its kind, has stopped: half of the doubt goes. From 3 on it
    is only slower: half of the chance goes.
    """
    return (1 + chance) / 2 if severity <= 2 else chance / 2


def as_power_says(known: Known, row: Mapping[str, Any], outage: Outage, age: float, open_for: float) -> Cost:
    """A cost that comes to what power's own estimate expects to be lost by closing, from when the first battery ends.

    That estimate knows which units go dark, that mains come back, and that a second unit goes on.
    """
    ahead = until(known, outage.empty_at)
    lasting = unvisited(known, ahead, open_for)
    cost = coming_to(outage.voter_minutes, age + ahead, lasting, known.settings["dispatch.growth_cap_minutes"], age)
    return replace(cost, level=least_people(known, row))


def until(known: Known, moment: datetime | None) -> float:
    """Minutes from T to a moment, none below nought; nought where nobody knows."""
    return max(0.0, (moment - known.at).total_seconds() / 60) if moment else 0.0


def unvisited(known: Known, delay: float, open_for: float) -> float:
    """Minutes for which nobody comes, where a loss by closing is meant: no longer than the place is open."""
    return max(min(known.settings["dispatch.unvisited_minutes"], open_for or math.inf), delay + 30.0)


def least_people(known: Known, row: Mapping[str, Any]) -> float:
    """People who count as held up at least, by the severity: or one nobody waits at is never seen."""
    return known.settings[f"dispatch.least_people_{min(4, max(1, row['severity'] or 4))}"]


def fitted(known: Known, row: Mapping[str, Any], growth: float, age: float) -> Cost:
    """A cost whose next hour is the ticket's `voter_minutes_at_risk`, shared between those held up and those who join.

    At least `least_people_N` people count as held up by a trouble of severity N, or one nobody waits at is never seen.
    """
    least, cap = least_people(known, row), known.settings["dispatch.growth_cap_minutes"]
    shape = Cost(0.0, growth, cap=cap)
    hour, risk = shape(age + HOUR) - shape(age), row["voter_minutes_at_risk"]
    if risk is None or not math.isfinite(risk) or row["repeats"]:  # its risk is counted at a ticket that is settled
        return Cost(least, growth, cap=cap)
    joining = max(0.0, risk - least * HOUR)
    if hour > joining:
        return Cost(least, growth * joining / hour, cap=cap)
    return Cost(least + (joining - hour) / HOUR, growth, cap=cap)


def merged(singles: list[Need], further_minutes: float) -> Need:
    """Needs of one site as one stop: the worst trouble leads, the rest add to the visit and to what it saves.

    Reports of one trouble are one trouble: the costs of a category count once, at their largest.
    """
    order = sorted(singles, key=lambda n: (-n.lost(HOUR), n.severity, n.since, n.ticket_ids))
    first = order[0]
    kinds = tuple(dict.fromkeys(category for n in order for category in n.categories))
    worst = [next(n for n in order if n.categories[0] == kind) for kind in kinds]
    levels = sum(n.chance * n.cost.level for n in worst)
    # one line stops once, however many troubles stop it: the growth of the worst alone
    lead = max(worst, key=lambda n: n.chance * n.cost.growth)
    chance = max(n.chance for n in worst)
    cost = first.cost
    if chance:
        cost = replace(lead.cost, level=levels / chance, growth=lead.chance * lead.cost.growth / chance)
    return replace(
        first,
        categories=kinds,
        ticket_ids=tuple(sorted(t for n in singles for t in n.ticket_ids)),
        unit_id=next((n.unit_id for n in order if n.unit_id), None),
        since=min(n.since for n in order),
        severity=min(n.severity for n in order),
        cost=cost,
        chance=chance,
        age=lead.age,
        visit_minutes=max(n.visit_minutes for n in worst) + further_minutes * (len(worst) - 1),
        waiting=max(n.waiting for n in order),
        assigned_at=min((n.assigned_at for n in order if n.assigned_at), default=None),
    )
