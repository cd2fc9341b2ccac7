"""Where each rover should go next, with what, and why: a proposal that a dispatcher decides on."""

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contracts.estimates import Dispatch
from pipeline.contracts.known import Known, empty
from pipeline.estimates.dispatch.cautions import caution_for, danger_sites
from pipeline.estimates.dispatch.costs import Cost
from pipeline.estimates.dispatch.decisions import Decisions, decisions
from pipeline.estimates.dispatch.foreseen import foreseen
from pipeline.estimates.dispatch.given import held_up, settled, who_may
from pipeline.estimates.dispatch.learning import learnt
from pipeline.estimates.dispatch.needs import Need, joined, open_needs
from pipeline.estimates.dispatch.outlying import with_distance
from pipeline.estimates.dispatch.pairs import with_pairs
from pipeline.estimates.dispatch.reasons import why
from pipeline.estimates.dispatch.rovers import Rover, later, parts_for, rover_states
from pipeline.estimates.dispatch.scene import Leg, Order, Scene
from pipeline.estimates.dispatch.search import plan
from pipeline.estimates.dispatch.shared import shared_visits
from pipeline.estimates.dispatch.travel import roads_of

Z90 = 1.6448536269514722  # 95 % point of the standard normal
EXTRA: dict[str, pl.DataType | type[pl.DataType]] = {
    "voter_minutes_saved_low": pl.Float64,
    "voter_minutes_saved_high": pl.Float64,
    "visit_minutes": pl.Float64,
    "is_under_way": pl.Boolean,
    "is_diverted": pl.Boolean,
    "decision": pl.String,
    "categories": pl.List(pl.String),
    "chance_needed": pl.Float64,
    "deadline_at": pl.Datetime("us", "UTC"),
    "partner": pl.String,
}


def dispatch(
    known: Known,
    tickets: pl.DataFrame,
    loads: pl.DataFrame,
    power: pl.DataFrame,
    supplies: pl.DataFrame | None = None,
    steps: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Every rover's proposed stops in order: committed visits first, then those that save most voter-minutes.

    Parameters
    ----------
    tickets, loads, power, supplies, steps : the estimates Tickets, SiteLoads, Power, Supplies and Milestones at T

    Returns
    -------
    Dispatch, and the columns of `EXTRA`.
    """
    decided = decisions(known)
    rows = joined(known, tickets)
    rovers = rover_states(known, rows, decided.away)
    if not rovers:
        return empty_plan()
    roads, away = roads_of(known), danger_sites(rows, decided.cleared)
    needs = all_needs(known, decided, rovers, rows, tickets, loads, power, supplies, steps, away)
    needs = with_distance(known, needs, len(rovers))
    ready = settled(known, held_up(known, rovers, rows, needs, away, roads), needs, roads)
    scene, single = ready.scene, len(needs)
    while single and scene.needs[single - 1].people > 1 and scene.needs[single - 1].rover_id is None:
        single -= 1  # all_needs puts them last
    allowed = who_may(scene, decided)
    orders = kept(scene, plan(only(scene, single), allowed[:single], ready.committed))
    scene, orders = with_pairs(scene, orders, allowed, single)
    shares = load_spread(loads)
    found = [row for r in range(len(scene.rovers)) for row in stops_of(known, scene, orders, r, shares)]
    if not found:
        return empty_plan()
    names = [*Dispatch.to_schema().columns, *EXTRA]
    schema = dict(empty(Dispatch).schema) | EXTRA
    return pl.DataFrame([{name: row[name] for name in names} for row in found], schema=schema, orient="row")


def all_needs(
    known: Known,
    decided: Decisions,
    rovers: list[Rover],
    rows: pl.DataFrame,
    tickets: pl.DataFrame,
    loads: pl.DataFrame,
    power: pl.DataFrame,
    supplies: pl.DataFrame | None,
    steps: pl.DataFrame | None,
    away: set[str],
) -> list[Need]:
    """Everything that competes for a rover, none of it at the sites in `away`; what takes two of them, and is nobody's
    yet, comes last.
    """
    needs = open_needs(known, tickets, loads, power, decided)
    taken = {(need.site_id, category) for need in needs for category in need.categories}
    more = foreseen(known, power, supplies, steps, loads, learnt(known, rows), taken, away)
    needs = shared_visits(known, decided, rovers, needs, more)
    needs += wanted(known, decided, rows, {need.site_id for need in needs} | away)
    needs = with_seconds(known, decided, rows, needs)
    return sorted(needs, key=lambda need: need.people > 1 and need.rover_id is None)


def wanted(known: Known, decided: Decisions, rows: pl.DataFrame, seen: set[str]) -> list[Need]:
    """Places where a person wants a rover and no ticket is open: until it has been there."""
    found = []
    for site_id, given in sorted(decided.given.items()):
        there = rows.filter(
            (pl.col("site_id") == site_id) & (pl.col("rover_id") == given.rover_id) & (pl.col("arrived_at") >= given.at)
        )
        if given.is_pinned and site_id not in seen and there.is_empty():
            found.append(
                Need(
                    site_id=site_id,
                    skills=frozenset(),
                    categories=("other",),
                    ticket_ids=(),
                    unit_id=None,
                    since=given.at,
                    severity=3,
                    cost=Cost(known.settings["dispatch.least_people_3"], 0.0),
                    chance=1.0,
                    visit_minutes=known.settings["dispatch.visit_minutes"],
                    age=0.0,
                    rover_id=given.rover_id,
                    assigned_at=given.at,
                    is_pinned=True,
                    is_entered=True,
                    foreseen="No ticket is open there.",
                )
            )
    return found


def with_seconds(known: Known, decided: Decisions, rows: pl.DataFrame, needs: list[Need]) -> list[Need]:
    """The needs, those where a person has asked for two rovers taking two; where one is or goes already, one more."""
    for site_id, at in sorted(decided.two.items()):
        own = [need for need in needs if need.site_id == site_id]
        there = rows.filter((pl.col("site_id") == site_id) & (pl.col("arrived_at") <= known.at))
        at_work = there.filter(pl.col("status") != "resolved").sort("arrived_at", "ticket_id")["rover_id"].to_list()
        first = (at_work or [need.rover_id for need in own if need.rover_id] or [None])[-1]
        if first is None:
            needs = [replace(need, people=2) if need in own else need for need in needs]
        elif there.filter((pl.col("rover_id") != first) & (pl.col("arrived_at") >= at)).is_empty():
            needs = [*needs, second(known, site_id, first, at)]
    return needs


def second(known: Known, site_id: str, first: str, at: datetime) -> Need:
    """The visit of a second rover to a place where another is or goes."""
    clock = at.astimezone(ZoneInfo(known.county.zone))
    return Need(
        site_id=site_id,
        skills=frozenset(),
        categories=("other",),
        ticket_ids=(),
        unit_id=None,
        since=at,
        severity=2,
        cost=Cost(known.settings["dispatch.least_people_2"], 0.0),
        chance=1.0,
        visit_minutes=known.settings["dispatch.visit_minutes"],
        age=max(0.0, (known.at - at).total_seconds() / 60),
        foreseen=f"{first} needs a second person there (entered {clock:%H:%M}).",
        without=first,
    )


def only(scene: Scene, count: int) -> Scene:
    """A scene of its first needs alone."""
    return replace(scene, needs=scene.needs[:count], minutes=scene.minutes[: len(scene.rovers) + count, :count])


def empty_plan() -> pl.DataFrame:
    """A plan without stops."""
    return empty(Dispatch).with_columns(pl.Series(name, [], dtype) for name, dtype in EXTRA.items())


def kept(scene: Scene, orders: list[Order]) -> list[Order]:
    """The plan with every stop that a rover was given: what the search would leave out comes last."""
    planned = {n for order in orders for n in order}
    return [
        order + [n for n, need in enumerate(scene.needs) if need.rover_id == rover.rover_id and n not in planned]
        for rover, order in zip(scene.rovers, orders, strict=True)
    ]


def load_spread(loads: pl.DataFrame) -> dict[str, tuple[float, float]]:
    """By site, the 5 % and 95 % of the voters still to come as shares of their mean."""
    rows = loads.select("site_id", "remaining_voters_low", "remaining_voters_mean", "remaining_voters_high")
    return {s: (low / mean, high / mean) for s, low, mean, high in rows.iter_rows() if mean and mean > 0}


def stops_of(
    known: Known, scene: Scene, orders: list[Order], rover: int, shares: Mapping[str, tuple[float, float]]
) -> Iterator[dict[str, object]]:
    """A rover's stops as rows of the plan, each with the parts to carry, from what the stops before leave on board."""
    legs, stock = scene.legs(rover, orders[rover]), dict(scene.rovers[rover].parts)
    for number, leg in enumerate(legs):
        carried, _ = parts_for(scene.needs[leg.need].categories, stock)
        for name in carried:
            stock[name] -= 1
        yield stop_row(known, scene, orders, rover, number, legs, shares) | {"parts": carried}


def stop_row(
    known: Known,
    scene: Scene,
    orders: list[Order],
    rover: int,
    number: int,
    legs: list[Leg],
    shares: Mapping[str, tuple[float, float]],
) -> dict[str, object]:
    """One stop as a row of the plan; `number` counts from 0."""
    leg, who = legs[number], scene.rovers[rover].rover_id
    need = scene.needs[leg.need]
    missed = need.missed(known.settings["dispatch.unvisited_minutes"] + need.visit_minutes)
    saved = max(0.0, missed - need.lost(leg.done))
    low, high = spread(known, shares.get(need.site_id, (0.5, 1.5)))
    is_turned = leg.need in scene.drivers and (number > 0 or scene.drivers[leg.need] != rover)
    return {
        "rover_id": who,
        "stop": number + 1,
        "site_id": need.site_id,
        "unit_id": need.unit_id,
        "ticket_ids": list(need.ticket_ids),
        "leave_at": later(known, leg.leave),
        "arrive_at": later(known, leg.arrive),
        "voter_minutes_saved": saved,
        "why": why(known, scene, orders, rover, legs, number),
        "caution": caution_for(list(need.categories)),
        "voter_minutes_saved_low": saved * low,
        "voter_minutes_saved_high": saved * high / max(need.chance_needed, 0.05),
        "visit_minutes": need.visit_minutes,
        "is_under_way": need.rover_id == who and not need.is_overdue and not is_turned,
        "is_diverted": is_turned,
        "decision": ("pinned" if need.is_pinned else "accepted") if need.is_entered else None,
        "categories": list(need.categories),
        "chance_needed": need.chance_needed,
        "deadline_at": need.deadline,
        "partner": need.partner,
    }


def spread(known: Known, share: tuple[float, float]) -> tuple[float, float]:
    """The 5 % and 95 % of what a stop saves, over its mean: voters still to come, and what a trouble may really cost.

    The two are taken as independent and lognormal: the logs' spreads add as squares.
    """
    error = Z90 * known.settings["dispatch.cost_error"]
    low = math.hypot(math.log(max(share[0], 0.01)), error)
    high = math.hypot(math.log(max(share[1], 1.0)), error)
    return math.exp(-low), math.exp(high)
