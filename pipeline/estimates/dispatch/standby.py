"""Where rovers without a stop should wait, so that the next trouble is soon reached wherever it comes up."""

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.contracts.estimates import Standby
from pipeline.contracts.known import Known, empty
from pipeline.estimates.dispatch.cautions import danger_sites
from pipeline.estimates.dispatch.decisions import decisions
from pipeline.estimates.dispatch.needs import joined
from pipeline.estimates.dispatch.rovers import Rover, minutes_to, rover_states
from pipeline.estimates.dispatch.travel import Place, roads_of

MOST_PLACES = 100  # sites at which a rover might wait, evenly by id [count]; our choice

Minutes = NDArray[np.float64]


def standby(known: Known, tickets: pl.DataFrame, loads: pl.DataFrame, plan: pl.DataFrame) -> pl.DataFrame:
    """The site near which each rover without a stop should wait, and the drive there: Standby.

    Parameters
    ----------
    tickets, loads, plan : the estimates Tickets, SiteLoads and Dispatch at T
    """
    rows, decided = joined(known, tickets), decisions(known)
    away = danger_sites(rows, decided.cleared)
    voters = dict(loads.select("site_id", "remaining_voters_mean").iter_rows())
    sites: list[tuple[Place, str | None]] = [
        ((a, b), s) for s, a, b in known.sites.sort("site_id").select("site_id", "latitude", "longitude").iter_rows()
    ]
    rovers = rover_states(known, rows, decided.away)
    given = set(rows.filter(pl.col("status") == "assigned")["rover_id"].drop_nulls()) | set(plan["rover_id"])
    idle = [rover for rover in rovers if rover.rover_id not in given and rover.leaves(0.0) + rover.free_at <= 0]
    may = [site for site in sites if site[1] not in away]
    places = may[:: max(1, -(-len(may) // MOST_PLACES))]
    if not idle or not places:
        return pl.DataFrame(schema=empty(Standby).schema)
    roads, starts = roads_of(known), [(rover.place, rover.site_id) for rover in idle]
    here = roads.minutes(starts, [*places, *sites])
    weights = np.array([max(0.0, voters.get(str(s)) or 0.0) for _, s in sites])
    covered = soonest(known, [r for r in rovers if r not in idle], plan, sites)
    power, worth = known.settings["dispatch.standby_power"], known.settings["dispatch.standby_worth_minutes"]
    found = waiting_places(roads.minutes(places, sites), here, covered, weights, worth, power)
    told = [
        (rover.rover_id, places[place][1], float(here[r, place]))
        for r, (rover, place) in enumerate(zip(idle, found, strict=True))
        if place is not None and 0 < here[r, place] <= known.settings["dispatch.soft_cap_minutes"]
    ]
    return pl.DataFrame(told, schema=empty(Standby).schema, orient="row")


def soonest(known: Known, rovers: list[Rover], plan: pl.DataFrame, sites: list[tuple[Place, str | None]]) -> Minutes:
    """By site, the soonest that a rover which has something to do could be there after it [min]."""
    last = plan.sort("rover_id", "stop").group_by("rover_id", maintain_order=True).last()
    ends = {row["rover_id"]: row for row in last.iter_rows(named=True)}
    where = {s: place for place, s in sites}
    starts: list[tuple[Place, str | None]] = []
    free = []
    for rover in rovers:
        row = ends.get(rover.rover_id)
        starts.append((where[row["site_id"]], row["site_id"]) if row else (rover.place, rover.site_id))
        visit = known.settings["dispatch.visit_minutes"]
        free.append(minutes_to(known, row["arrive_at"]) + visit if row else rover.free_at)
    if not rovers:
        longest = float(known.settings["dispatch.unvisited_minutes"])  # as whole numbers its powers would overflow
        return np.full(len(sites), longest)
    reached: Minutes = (roads_of(known).minutes(starts, sites) + np.array(free)[:, None]).min(axis=0)
    return np.minimum(reached, known.settings["dispatch.unvisited_minutes"])


def waiting_places(
    between: Minutes, here: Minutes, covered: Minutes, weights: Minutes, worth: float, power: float
) -> list[int | None]:
    """For each idle rover the place at which to wait, as a position; None to stay where it is.

    Places are chosen one by one, each the one that brings the mean of the minutes to reach a site, to the `power`, down
    most, given what busy rovers will reach; the rovers then share them out with the least driving. Nobody moves unless
    all moves together bring that mean's root down by `worth` minutes for the share of rovers that move.

    Parameters
    ----------
    between : drives from each place to each site [min]
    here : drives from each idle rover to each place, then to each site [min], side by side
    covered : by site, the soonest that a busy rover could be there [min]
    weights : by site, how likely the next trouble is there; need not add up to one
    worth : [min]
    power : 1 counts the mean (p-median), a large one the longest drive (p-centre)

    Source: p-median and p-centre (Hakimi 1964, from memory), greedily; waiting where the next call is near: Bertsimas &
    Van Ryzin 1991.
    """
    idle, count = len(here), len(between)
    if not idle or not count or not weights.sum() > 0:
        return [None] * idle
    share = weights / weights.sum()
    far = between**power
    best = covered**power
    chosen: list[int] = []
    while len(chosen) < idle:
        chosen.append(int((np.minimum(best, far) @ share).argmin()))
        nearer = np.minimum(best, far[chosen[-1]])
        if np.array_equal(nearer, best):  # no place brings anything more: every further choice would be this one
            chosen += [chosen[-1]] * (idle - len(chosen))
        best = nearer
    now = np.minimum(covered, here[:, count:].min(axis=0)) ** power @ share
    rows, columns = linear_sum_assignment(here[:, chosen] ** power)
    to = {int(r): chosen[int(c)] for r, c in zip(rows, columns, strict=True)}
    moving = sum(here[r, place] > 0 for r, place in to.items())
    if now ** (1 / power) - (best @ share) ** (1 / power) < worth * moving / idle or not moving:
        return [None] * idle
    return [to[r] for r in range(idle)]
