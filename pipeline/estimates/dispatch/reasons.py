"""Why a stop is proposed, as a dispatcher would say it: what is at stake, why this rover, what waits instead."""

from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.needs import Need
from pipeline.estimates.dispatch.rovers import later
from pipeline.estimates.dispatch.scene import Leg, Order, Scene
from pipeline.estimates.dispatch.skills import can

SAID = {  # what a dispatcher would call a category; the rest go by their own name
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
    "custody": "hand-over of media or ballots",
}
MOST_COMPARED = 8  # other rovers looked at for a reason, those that could be there first [count]; our choice
CERTAIN, TOLD = 0.995, 0.005  # chances that are told as a fact, and that are told at all [-]
MENDED = {
    "scanner": "scanners",
    "bmd": "marking devices",
    "poll-book": "poll books",
    "power": "power",
    "supplies": "supplies",
}


def called(category: str) -> str:
    """A category as a dispatcher would call it."""
    return SAID.get(category, category.replace("-", " "))


def name_of(known: Known, site_id: str) -> str:
    """A site's name, as people know it; its id where the roster has none."""
    found = known.sites.filter(pl.col("site_id") == site_id)["name"]
    return found[0] or site_id if len(found) else site_id


def why(
    known: Known,
    scene: Scene,
    orders: list[Order],
    rover: int,
    legs: list[Leg],
    number: int,
) -> str:
    """The reason for stop `number` (from 0) of a rover."""
    used_up = scene.used_up(rover, legs[number].need, orders[rover][:number])
    bare = [category for category, chance in used_up.items() if chance >= CERTAIN]
    text = reason(known, scene, orders, rover, legs, number, "power" in bare)
    text += f" No part on board for: {', '.join(map(called, bare))}." if bare else ""
    for category, chance in used_up.items():
        if TOLD <= chance < CERTAIN:
            text += f" A stop before may use up what is on board for {called(category)} (chance {chance:.0%})."
    return text


def reason(
    known: Known, scene: Scene, orders: list[Order], rover: int, legs: list[Leg], number: int, is_used_up: bool
) -> str:
    """The same without what lacks; `is_used_up`: what the rover carries for power goes to the stops before."""
    leg = legs[number]
    need, who = scene.needs[leg.need], scene.rovers[rover]
    zone = ZoneInfo(known.county.zone)
    text = f"{stakes(need, zone)} {who.rover_id} arrives about {later(known, leg.arrive).astimezone(zone):%H:%M}"
    if need.rover_id == who.rover_id:
        return f"{text}{given(known, scene, need, rover, number)}"
    text += f", after a drive of {max(0, round(leg.arrive - leg.leave))} min."
    if need.partner:
        text += f" It takes two: {need.partner} comes too, and work begins when both are there."
    if need.foreseen and not can(who.skills, need.skills):
        has = "what it carries for power goes to the stops before" if is_used_up else "carries a battery or a generator"
        text += f" It lists no power skill, but {has}."
    elif not can(who.skills, need.skills):
        text += f" No rover on shift lists {' and '.join(sorted(MENDED[s] for s in need.skills))}: it goes to look."
    if need.site_confidence < 0.6:
        text += f" The site is a guess ({need.site_confidence:.0%}): call first."
    if need.rover_id is not None:
        text += f" It takes over from {need.rover_id}, which has been turned off to something that costs more."
    elif turned := left_behind(scene, rover, number):
        text += f" It turns off from {name_of(known, turned.site_id)}, where less is lost."
    else:
        text += f" {alternative(scene, orders, rover, leg)}"
    return f"{text}{waits_instead(known, scene, legs, number)}"


def given(known: Known, scene: Scene, need: Need, rover: int, number: int) -> str:
    """How a stop came to be this rover's already."""
    zone = ZoneInfo(known.county.zone)
    since = f" since {need.assigned_at.astimezone(zone):%H:%M}" if need.assigned_at else ""
    if need.is_pinned:
        return f"; the dispatcher wants it there next (entered{since.replace(' since', '')})."
    if need.is_overdue:
        return f" if it has not been there; it was given this stop{since}, nothing heard: ask it first."
    if number and rover in scene.drivers.values() and any(scene.needs[n] is need for n in scene.drivers):
        return f"; it was given this stop{since}, and should turn off to another first."
    return f"; it was given this stop{since}."


def left_behind(scene: Scene, rover: int, number: int) -> Need | None:
    """The stop that a rover drives to and should leave for this one."""
    turned = [scene.needs[n] for n, driver in scene.drivers.items() if driver == rover]
    return turned[0] if turned and number == 0 else None


def waits_instead(known: Known, scene: Scene, legs: list[Leg], number: int) -> str:
    """What the rover gets to only afterwards."""
    if number or len(legs) < 2:
        return ""
    zone, leg = ZoneInfo(known.county.zone), legs[1]
    need = scene.needs[leg.need]
    what = called(need.categories[0]) if need.categories else "the next stop"
    there, then = name_of(known, need.site_id), later(known, leg.arrive).astimezone(zone)
    return f" Meanwhile {there} ({what}) waits until about {then:%H:%M}."


def stakes(need: Need, zone: ZoneInfo) -> str:
    """What is wrong, since when, and who is held up; then what else the visit serves."""
    also = (f"The same visit serves what is foreseen: {more.foreseen}" for more in need.also)
    return " ".join([own_stakes(need, zone), *also])


def own_stakes(need: Need, zone: ZoneInfo) -> str:
    """What is wrong, since when, and who is held up, what else is foreseen there left out."""
    if need.foreseen:
        return need.foreseen
    foreseen = {category for more in need.also for category in more.categories}
    said = ", ".join(called(category) for category in need.categories if category not in foreseen)
    tickets = f" ({', '.join(need.ticket_ids)})" if need.ticket_ids else ""
    heads = round(need.waiting)
    people = f"; about {heads} {'person' if heads == 1 else 'people'} in line" if heads > 0 else ""
    return f"{said[0].upper()}{said[1:]} since {need.since.astimezone(zone):%H:%M}{tickets}{people}."


def alternative(scene: Scene, orders: list[Order], rover: int, leg: Leg) -> str:
    """Which other rover was considered, and why it is not the one."""
    need = scene.needs[leg.need]
    others: list[tuple[float, str, int]] = []
    free_at = np.array([who.free_at for who in scene.rovers])
    nearest = np.argsort(free_at + scene.minutes[: len(scene.rovers), leg.need], kind="stable")
    for r in nearest.tolist():
        who = scene.rovers[r]
        if len(others) == MOST_COMPARED:
            break
        if r != rover and can(who.skills, need.skills):
            first = [n for n in orders[r] if scene.needs[n].rover_id == who.rover_id and not scene.needs[n].is_overdue]
            arrive = scene.legs(r, [*first, leg.need])[-1].arrive
            if arrive < who.off_shift:
                others.append((arrive, who.rover_id, r))
    if not others:
        return "No other rover on shift can take it."
    arrive, name, other = min(others)
    wants = "" if wanted_part(scene, rover, leg.need) else wanted_part(scene, other, leg.need)
    late = arrive - leg.arrive
    if late <= 0.5:
        sooner = "as soon" if late > -1 else f"{round(-late)} min sooner"
        if wants:
            return f"{name} could be there {sooner}, but carries no part for {wants}."
        return f"{name} could be there {sooner}, but has more to save elsewhere."
    before = orders[rover][: orders[rover].index(leg.need)]
    longer = scene.longer(other, leg.need) - scene.longer(rover, leg.need, before)
    more = max(0.0, need.lost(leg.done + late + longer) - need.lost(leg.done))
    bare = f" and carries no part for {wants}" if wants else ""
    cost = f": about {float(f'{more:.2g}'):,.0f} voter-minutes more" if round(more) else ""
    loss = f"would be {round(late)} min later{bare}{cost}."
    who = scene.rovers[rover]
    if who.free_at > 0 and scene.rovers[other].free_at <= 0 and orders[rover][0] == leg.need:
        return f"Worth waiting for {who.rover_id} to end its work: {name} is free now, but {loss}"
    return f"The next best, {name}, {loss}"


def wanted_part(scene: Scene, rover: int, need: int) -> str:
    """The troubles of a need that a rover has no part for, in words; nothing where it lacks none."""
    own = scene.carried.get(rover)
    return " and ".join(map(called, own.lacks(own.wants(scene.needs[need], scene.settings)))) if own else ""
