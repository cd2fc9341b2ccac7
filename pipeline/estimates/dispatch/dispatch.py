"""Where each rover should go next, with what, and why: a proposal that a dispatcher decides on."""

from collections.abc import Mapping
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.estimates import Dispatch
from pipeline.contracts.known import Known, empty
from pipeline.estimates.dispatch.cautions import caution_for, danger
from pipeline.estimates.dispatch.costs import Cost
from pipeline.estimates.dispatch.needs import Need, can, joined, open_needs, still_waits
from pipeline.estimates.dispatch.routes import Leg, Order, Scene, plan
from pipeline.estimates.dispatch.rovers import Rover, later, minutes_to, parts_for, rover_states
from pipeline.estimates.dispatch.travel import drive_minutes

SAID = {  # what a dispatcher would call it
    "scanner-jam": "scanner jam",
    "scanner-down": "scanner stopped",
    "memory-card": "memory card",
    "tape-printer": "report printer",
    "bin-full": "ballot box full",
    "bmd": "marking device",
    "accessible-device": "accessible device",
    "poll-book": "poll book",
    "power": "power",
    "ballot-stock": "ballots short or wrong",
}
MENDED = {
    "scanner": "scanners",
    "bmd": "marking devices",
    "poll-book": "poll books",
    "power": "power",
    "supplies": "supplies",
}
EXTRA = {
    "voter_minutes_saved_low": pl.Float64,
    "voter_minutes_saved_high": pl.Float64,
    "visit_minutes": pl.Float64,
    "is_under_way": pl.Boolean,
}


def dispatch(known: Known, tickets: pl.DataFrame, loads: pl.DataFrame, power: pl.DataFrame) -> pl.DataFrame:
    """Every rover's proposed stops in order: committed visits first, then those that save most voter-minutes.

    Parameters
    ----------
    tickets, loads, power : the estimates Tickets, SiteLoads and Power at the same T

    Returns
    -------
    Dispatch, with the interval of the voter-minutes saved, the visit's length and whether the rover is under way.
    """
    rows = joined(known, tickets)
    rovers = rover_states(known, rows)
    if not rovers:
        return empty_plan()
    needs = open_needs(known, tickets, loads, power)
    scene, committed = scene_of(known, rovers, needs)
    orders = kept(scene, plan(scene, [fit_for(need, rovers) for need in scene.needs], committed))
    threats = threatened(known, power, needs, rows)
    scene, orders = with_threats(known, scene, orders, threats)
    shares = load_spread(loads)
    found = [
        stop_row(known, scene, orders, r, number, leg, shares)
        for r in range(len(rovers))
        for number, leg in enumerate(scene.legs(r, orders[r]), start=1)
    ]
    return with_parts(found, scene) if found else empty_plan()


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


def fit_for(need: Need, rovers: list[Rover]) -> list[int]:
    """The rovers with the skills for a need; all of them where none has: somebody should at least look.

    A stop that was given to a rover is that rover's.
    """
    if need.rover_id is not None:
        return [r for r, rover in enumerate(rovers) if rover.rover_id == need.rover_id]
    return [r for r, rover in enumerate(rovers) if can(rover.skills, need.skills)] or list(range(len(rovers)))


def scene_of(known: Known, rovers: list[Rover], needs: list[Need]) -> tuple[Scene, dict[int, Order]]:
    """The drives between all places, and each rover's committed stops, the one it drives to first.

    A stop given to a rover that is off shift is anybody's again. One that is overdue by more than `overdue_minutes`
    stays with its rover, but holds nothing up: it is likelier to have been made and not reported.
    """
    places = {s: (a, b) for s, a, b in known.sites.select("site_id", "latitude", "longitude").iter_rows()}
    ends = [places[need.site_id] for need in needs]
    minutes = drive_minutes([rover.place for rover in rovers] + ends, ends, known.settings)
    number = {rover.rover_id: r for r, rover in enumerate(rovers)}
    judged = [need if need.rover_id in number else replace(need, rover_id=None, assigned_at=None) for need in needs]
    given: dict[int, Order] = {}
    for n, need in sorted(enumerate(judged), key=lambda item: (item[1].assigned_at or known.at, item[1].site_id)):
        if need.rover_id is not None:
            given.setdefault(number[need.rover_id], []).append(n)
    committed, under_way = {}, {}
    for r, order in given.items():
        expected = expected_arrivals(known, rovers[r], r, order, judged, minutes, len(rovers))
        for n in order:
            if -expected[n] > known.settings["dispatch.overdue_minutes"]:
                judged[n] = replace(judged[n], is_overdue=True, chance=still_waits(known, -expected[n]))
        if firm := [n for n in order if not judged[n].is_overdue]:
            committed[r] = firm
            if rovers[r].free_at <= 0 and firm[0] == order[0]:
                drive, extra = float(minutes[r, firm[0]]), known.settings["dispatch.travel_extra_minutes"]
                under_way[firm[0]] = min(drive, max(expected[firm[0]], extra))
    return Scene(rovers, judged, minutes, known.settings, under_way), committed


def expected_arrivals(
    known: Known, rover: Rover, r: int, order: Order, needs: list[Need], minutes: NDArray[np.float64], rovers: int
) -> dict[int, float]:
    """When a rover should have arrived, or will, at each stop it was given, had it gone at once [min from T]."""
    clock = rover.free_at if rover.free_at > 0 or rover.free_since is None else minutes_to(known, rover.free_since)
    found: dict[int, float] = {}
    for place, n in enumerate(order):
        node = r if place == 0 else rovers + order[place - 1]
        assigned = minutes_to(known, needs[n].assigned_at)
        begin = assigned if place == 0 and rover.free_since is None and rover.free_at <= 0 else max(clock, assigned)
        found[n] = begin + float(minutes[node, n])
        clock = found[n] + needs[n].visit_minutes
    return found


def threatened(known: Known, power: pl.DataFrame, needs: list[Need], rows: pl.DataFrame) -> list[Need]:
    """Sites that may go dark and that no ticket speaks of: the unit at most risk of each, worst first."""
    away = set(danger(rows)["site_id"].drop_nulls()) | {need.site_id for need in needs}
    rows = power.filter(
        (pl.col("supply") == "battery")
        & (pl.col("chance_dark") >= known.settings["dispatch.threat_chance"])
        & pl.col("site_id").is_in(known.sites["site_id"].implode())
        & ~pl.col("site_id").is_in(sorted(away))
    ).sort("expected_voter_minutes", "chance_dark", "unit_id", descending=[True, True, False])
    worst = rows.group_by("site_id", maintain_order=True).agg(
        pl.all().first(), all=pl.col("expected_voter_minutes").sum()
    )
    worth = worst.filter(pl.col("all") >= known.settings["dispatch.threat_voter_minutes"])
    return [threat(known, row) for row in worth.iter_rows(named=True)]


def threat(known: Known, row: Mapping[str, object]) -> Need:
    """A site off mains as a need: what it will lose, spread over the hours for which nobody comes."""
    lasting = known.settings["dispatch.unvisited_minutes"]
    return Need(
        site_id=str(row["site_id"]),
        skills=frozenset(["power"]),
        categories=("power",),
        ticket_ids=(),
        unit_id=str(row["unit_id"]),
        since=row["since"] or known.at,  # type: ignore[arg-type]
        severity=2,
        cost=Cost(float(row["all"]) / lasting, 0.0),  # type: ignore[arg-type]
        chance=1.0,
        visit_minutes=known.settings["dispatch.visit_minutes"],
        age=0.0,
    )


def with_threats(known: Known, scene: Scene, orders: list[Order], threats: list[Need]) -> tuple[Scene, list[Order]]:
    """Gives each threatened site to the nearest rover that has nothing else to do and can help with power."""
    if not threats:
        return scene, orders
    rovers, count = list(scene.rovers), len(scene.needs)
    wider, _ = scene_of(known, rovers, [*scene.needs, *threats])
    wider = replace(wider, under_way=scene.under_way)
    orders = [list(order) for order in orders]
    for n in range(count, count + len(threats)):
        free = [r for r, rover in enumerate(rovers) if not orders[r] and can_power(rover)]
        reach = [(rovers[r].free_at + float(wider.minutes[r, n]), r) for r in free]
        arrive, r = min(reach, default=(0.0, -1))
        if r >= 0 and arrive < rovers[r].off_shift:
            orders[r] = [n]
    return wider, orders


def can_power(rover: Rover) -> bool:
    """Whether a rover can help a site off mains: by skill, or with a battery or generator on board."""
    return "power" in rover.skills or bool({"battery", "generator"} & {n.lower() for n, c in rover.parts.items() if c})


def load_spread(loads: pl.DataFrame) -> dict[str, tuple[float, float]]:
    """By site, the 5 % and 95 % of the voters still to come as shares of their mean."""
    rows = loads.select("site_id", "remaining_voters_low", "remaining_voters_mean", "remaining_voters_high")
    return {s: (low / mean, high / mean) for s, low, mean, high in rows.iter_rows() if mean and mean > 0}


def stop_row(
    known: Known,
    scene: Scene,
    orders: list[Order],
    rover: int,
    number: int,
    leg: Leg,
    shares: Mapping[str, tuple[float, float]],
) -> dict[str, object]:
    """One stop as a row of the plan."""
    need = scene.needs[leg.need]
    missed = need.lost(known.settings["dispatch.unvisited_minutes"] + need.visit_minutes)
    saved = max(0.0, missed - need.lost(leg.done))
    low, high = shares.get(need.site_id, (0.5, 1.5))
    return {
        "rover_id": scene.rovers[rover].rover_id,
        "stop": number,
        "site_id": need.site_id,
        "unit_id": need.unit_id,
        "ticket_ids": list(need.ticket_ids),
        "leave_at": later(known, leg.leave),
        "arrive_at": later(known, leg.arrive),
        "voter_minutes_saved": saved,
        "why": why(known, scene, orders, rover, leg),
        "caution": caution_for(list(need.categories)),
        "voter_minutes_saved_low": saved * low,
        "voter_minutes_saved_high": saved * high / max(need.chance, 0.05),
        "visit_minutes": need.visit_minutes,
        "is_under_way": need.rover_id is not None and not need.is_overdue,
        "categories": need.categories,
        "rover": rover,
    }


def with_parts(rows: list[dict[str, object]], scene: Scene) -> pl.DataFrame:
    """The rows with the parts to carry for each stop, from what is left on board, and a word on what is missing."""
    left: dict[int, dict[str, int]] = {}
    for row in rows:
        rover: int = row.pop("rover")  # type: ignore[assignment]
        stock = left.setdefault(rover, dict(scene.rovers[rover].parts))
        carried, lacking = parts_for(row.pop("categories"), stock)  # type: ignore[arg-type]
        for name in carried:
            stock[name] -= 1
        row["parts"] = carried
        if lacking:
            row["why"] = f"{row['why']} No part on board for: {', '.join(SAID.get(c, c) for c in lacking)}."
    names = list(Dispatch.to_schema().columns)
    schema = dict(empty(Dispatch).schema) | EXTRA
    return pl.DataFrame([{name: row[name] for name in [*names, *EXTRA]} for row in rows], schema=schema, orient="row")


def why(known: Known, scene: Scene, orders: list[Order], rover: int, leg: Leg) -> str:
    """The reason for one stop, as a dispatcher would say it."""
    need, who = scene.needs[leg.need], scene.rovers[rover]
    zone = ZoneInfo(known.county.zone)
    text = f"{stakes(need, zone)} {who.rover_id} arrives about {later(known, leg.arrive).astimezone(zone):%H:%M}"
    if need.rover_id is not None:
        assigned = f" since {need.assigned_at.astimezone(zone):%H:%M}" if need.assigned_at else ""
        if need.is_overdue:
            return f"{text} if it has not been there; it was given this stop{assigned}, nothing heard: ask it first."
        return f"{text}; it was given this stop{assigned}."
    text += f", after a drive of {max(0, round(leg.arrive - leg.leave))} min."
    if not can(who.skills, need.skills):
        text += f" No rover on shift lists {' and '.join(sorted(MENDED[s] for s in need.skills))}: it goes to look."
    if need.site_confidence < 0.6:
        text += f" The site is a guess ({need.site_confidence:.0%}): call first."
    return f"{text} {alternative(scene, orders, rover, leg)}"


def stakes(need: Need, zone: ZoneInfo) -> str:
    """What is wrong, since when, and who is held up."""
    said = ", ".join(SAID.get(category, category) for category in need.categories)
    tickets = f" ({', '.join(need.ticket_ids)})" if need.ticket_ids else " (no ticket: off mains, may go dark)"
    people = f"; about {round(need.waiting)} people in line" if round(need.waiting) > 0 else ""
    return f"{said[0].upper()}{said[1:]} since {need.since.astimezone(zone):%H:%M}{tickets}{people}."


def alternative(scene: Scene, orders: list[Order], rover: int, leg: Leg) -> str:
    """Which other rover was considered, and why it is not the one."""
    need, others = scene.needs[leg.need], []
    for r, who in enumerate(scene.rovers):
        if r != rover and can(who.skills, need.skills):
            first = [n for n in orders[r] if scene.needs[n].rover_id is not None and not scene.needs[n].is_overdue]
            legs = scene.legs(r, [*first, leg.need])
            if legs[-1].arrive < who.off_shift:
                others.append((legs[-1].arrive, who.rover_id))
    if not others:
        return "No other rover on shift can take it."
    arrive, name = min(others)
    late = arrive - leg.arrive
    if late <= 0.5:
        sooner = "as soon" if late > -1 else f"{round(-late)} min sooner"
        return f"{name} could be there {sooner}, but has more to save elsewhere."
    more = need.lost(leg.done + late) - need.lost(leg.done)
    said = f"{float(f'{more:.2g}'):,.0f}"
    return f"The next best, {name}, would be {round(late)} min later: about {said} voter-minutes more."
