"""One visit for several needs: what is foreseen at a site goes with a stop that is made there anyway."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import timedelta

from pipeline.contracts.known import Known
from pipeline.estimates.dispatch.carried import carried_by
from pipeline.estimates.dispatch.decisions import Decisions
from pipeline.estimates.dispatch.given import is_fit
from pipeline.estimates.dispatch.needs import Need
from pipeline.estimates.dispatch.rovers import Rover
from pipeline.estimates.dispatch.skills import can


def shared_visits(
    known: Known, decided: Decisions, rovers: Sequence[Rover], stops: Sequence[Need], foreseen: Iterable[Need]
) -> list[Need]:
    """The stops, with what is foreseen at their sites; what no rover could see to on the same visit is its own stop."""
    found = list(stops)
    for more in foreseen:
        fits = (n for n, stop in enumerate(found) if is_one_visit(known, decided, rovers, stop, more))
        place = next(fits, None)
        if place is None:
            found.append(more)
        else:
            found[place] = together(found[place], more, known.settings["dispatch.further_minutes"])
    return found


def is_one_visit(known: Known, decided: Decisions, rovers: Sequence[Rover], stop: Need, more: Need) -> bool:
    """Whether whoever may make this stop has the skills for both, and a part for what is foreseen.

    A stop that is still anybody's is shared only where no rover could see to one of the two alone: one visit for both
    would leave fewer rovers for either, and come too late. Nothing is added to a stop whose rover is long overdue: it
    was likelier made and not reported.
    """
    if stop.site_id != more.site_id or stop.people > 1 or more.people > 1:
        return False
    given = [rover for rover in rovers if rover.rover_id == stop.rover_id]
    overdue = timedelta(minutes=known.settings["dispatch.overdue_minutes"])
    if given and stop.assigned_at is not None and known.at - stop.assigned_at > overdue:
        return False
    carried = carried_by(rovers, [more])
    lacking = {r for r, own in carried.items() if own.lacks(own.wants(more, known.settings))}
    may_go = [r for r, rover in enumerate(rovers) if decided.may_go(rover.rover_id, stop.site_id)]
    for_stop = {r for r in may_go if can(rovers[r].skills, stop.skills)}
    for_more = {r for r in may_go if r not in lacking and is_fit(rovers[r], more)}
    if given:
        return any(rovers[r] is given[0] and can(given[0].skills, stop.skills | more.skills) for r in for_more)
    return bool(for_stop) and for_stop == for_more and all(can(rovers[r].skills, more.skills) for r in for_more)


def together(stop: Need, more: Need, further_minutes: float) -> Need:
    """One stop for both; each keeps its own cost."""
    return replace(
        stop,
        skills=stop.skills | more.skills,
        categories=tuple(dict.fromkeys((*stop.categories, *more.categories))),
        unit_id=stop.unit_id or more.unit_id,
        severity=min(stop.severity, more.severity),
        visit_minutes=max(stop.visit_minutes, more.visit_minutes) + further_minutes,
        deadline=min((at for at in (stop.deadline, more.deadline) if at is not None), default=None),
        also=(*stop.also, more),
    )
