"""What is settled before a plan is made: stops that rovers were given, where those under way are, who may go where."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.carried import carried_by
from pipeline.estimates.dispatch.decisions import Decisions
from pipeline.estimates.dispatch.learning import still_waits
from pipeline.estimates.dispatch.needs import Need
from pipeline.estimates.dispatch.rovers import SUPPLY, Rover, fits, minutes_to
from pipeline.estimates.dispatch.scene import Order, Scene
from pipeline.estimates.dispatch.skills import can
from pipeline.estimates.dispatch.travel import Place, Roads, places_of


@dataclass
class Settled:
    """A scene, and each rover's committed stops, the one it drives to first."""

    scene: Scene
    committed: dict[int, Order]


def settled(known: Known, rovers: list[Rover], needs: Sequence[Need], roads: Roads) -> Settled:
    """The scene with every stop that a rover was given.

    A stop given to a rover that is off shift is anybody's again. One that is overdue by more than `overdue_minutes`
    stays with its rover, but holds nothing up: it is likelier to have been made and not reported. A rover whose only
    given stop is the one it drives to may be turned off to another, unless a person's entry gave it that stop.
    """
    places = places_of(known)
    ends: list[tuple[Place, str | None]] = [(places[need.site_id], need.site_id) for need in needs]
    minutes = roads.minutes([*((rover.place, rover.site_id) for rover in rovers), *ends], ends)
    number = {rover.rover_id: r for r, rover in enumerate(rovers)}
    judged = [
        need if need.rover_id in number else replace(need, rover_id=None, assigned_at=None, is_pinned=False)
        for need in needs
    ]
    committed: dict[int, Order] = {}
    under_way: dict[int, float] = {}
    drivers: dict[int, int] = {}
    pinned: dict[int, int] = {}
    rovers = list(rovers)
    for r, order in sorted(given_orders(known, judged, number).items()):
        # As it has driven so far: in the order of the giving. What is pinned comes next, and may have been given last.
        driving = sorted(order, key=lambda n: judged[n].assigned_at or known.at)
        expected = expected_arrivals(known, rovers[r], r, driving, judged, minutes, len(rovers))
        for n in order:
            late = -expected[n] > known.settings["dispatch.overdue_minutes"]
            if late and not judged[n].is_entered:
                judged[n] = replace(judged[n], is_overdue=True, chance=still_waits(known, -expected[n]))
        firm = [n for n in order if not judged[n].is_overdue]
        if not firm:
            continue
        committed[r] = firm
        pinned[r] = sum(judged[n].is_pinned for n in firm)
        driven = next((n for n in order if not judged[n].is_pinned), firm[0])
        if rovers[r].free_at > 0 or judged[driven].is_overdue:
            continue
        drive, extra = float(minutes[r, driven]), known.settings["dispatch.travel_extra_minutes"]
        left = min(drive, max(expected[driven], extra))
        if firm[0] == driven:
            under_way[driven] = left
        if left > extra and drive > 0:
            away = on_the_way(rovers[r].place, ends[driven][0], 1 - left / drive)
            rovers[r] = replace(rovers[r], place=away, site_id=None)
            minutes[r] = roads.minutes([(away, None)], ends)[0]
            if firm == [driven] and not judged[driven].is_entered:
                drivers[driven] = r
                del committed[r]
        elif expected[driven] <= extra:  # it should be there by now
            rovers[r] = replace(rovers[r], place=ends[driven][0], site_id=ends[driven][1])
            minutes[r] = minutes[len(rovers) + driven]
    carried = carried_by(rovers, judged)
    scene = Scene(rovers, judged, minutes, known.settings, under_way, drivers, pinned, carried=carried)
    return Settled(scene, committed)


def held_up(
    known: Known,
    rovers: Sequence[Rover],
    rows: pl.DataFrame,
    needs: Sequence[Need],
    away: Collection[str],
    roads: Roads,
) -> list[Rover]:
    """The rovers; those that were sent to a place where danger is reported are as far on their way as they have come.

    No stop is made there, but the drive has been. `away`: those places. Who has another stop is left to `settled`.
    """
    places = places_of(known)
    has_stop = {need.rover_id for need in needs}
    sent = rows.filter(
        (pl.col("status") == "assigned") & pl.col("arrived_at").is_null() & pl.col("site_id").is_in(list(away))
    ).sort("assigned_at", "ticket_id")
    last = {row["rover_id"]: row for row in sent.iter_rows(named=True) if row["assigned_at"] is not None}
    found = []
    for rover in rovers:
        row = last.get(rover.rover_id)
        if row is not None and rover.rover_id not in has_stop and rover.free_at <= 0 and row["site_id"] in places:
            end = places[row["site_id"]]
            drive = float(roads.minutes([(rover.place, rover.site_id)], [(end, row["site_id"])])[0, 0])
            begun = max(row["assigned_at"], rover.free_since or row["assigned_at"])
            part = min(max(-minutes_to(known, begun) / drive, 0.0), 1.0) if drive > 0 else 0.0
            rover = replace(rover, place=on_the_way(rover.place, end, part), site_id=None if part else rover.site_id)
        found.append(rover)
    return found


def given_orders(known: Known, needs: Sequence[Need], number: Mapping[str, int]) -> dict[int, Order]:
    """By rover, the stops that it was given: those that a person wants next, then in the order of their giving."""
    given: dict[int, Order] = {}
    ranked = sorted(
        enumerate(needs), key=lambda item: (not item[1].is_pinned, item[1].assigned_at or known.at, item[1].site_id)
    )
    for n, need in ranked:
        if need.rover_id is not None:
            given.setdefault(number[need.rover_id], []).append(n)
    return given


def expected_arrivals(
    known: Known, rover: Rover, r: int, order: Order, needs: Sequence[Need], minutes: NDArray[np.float64], rovers: int
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


def on_the_way(start: Place, end: Place, part: float) -> Place:
    """The place so far along the straight way; places off the map stay where they are."""
    if not np.isfinite([*start, *end]).all():
        return start
    return start[0] + (end[0] - start[0]) * part, start[1] + (end[1] - start[1]) * part


def who_may(scene: Scene, decided: Decisions) -> list[frozenset[int]]:
    """For each need, the rovers that may take it.

    Those with the skills; all of them where none has: somebody should at least look. A stop that was given to a rover
    is that rover's, unless it is only driving there. Nobody whom a person has forbidden the place.
    """
    everybody = frozenset(range(len(scene.rovers)))
    able: dict[tuple[frozenset[str], bool], frozenset[int]] = {}
    found = []
    for n, need in enumerate(scene.needs):
        if need.rover_id is not None and n not in scene.drivers:
            who = frozenset(r for r in everybody if scene.rovers[r].rover_id == need.rover_id)
        else:
            kind = (need.skills, need.foreseen is not None)
            if kind not in able:
                able[kind] = frozenset(r for r in everybody if is_fit(scene.rovers[r], need))
            who = able[kind] if able[kind] or need.foreseen is not None else everybody
        if any(site_id == need.site_id for _, site_id in decided.forbidden):
            who = frozenset(r for r in who if decided.may_go(scene.rovers[r].rover_id, need.site_id))
        if need.without is not None:
            who = frozenset(r for r in who if scene.rovers[r].rover_id != need.without)
        found.append(who)
    return found


def is_fit(rover: Rover, need: Need) -> bool:
    """Whether a rover can help: by skill, or for a site that may go dark with a battery or a generator on board."""
    if need.foreseen and need.categories == ("power",):
        return "power" in rover.skills or any(count and fits(SUPPLY, name) for name, count in rover.parts.items())
    return can(rover.skills, need.skills)
