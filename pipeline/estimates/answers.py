"""What each estimate needs: a question is answered from what was known, each step once."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import cast

import polars as pl
from pandera.typing.polars import DataFrame

from pipeline.contracts import events
from pipeline.contracts.asked import ASKED
from pipeline.contracts.estimates import ESTIMATES
from pipeline.contracts.known import County, Known
from pipeline.estimates import reports, tickets
from pipeline.estimates.counts import reconciliation
from pipeline.estimates.dispatch import dispatch, more, more_parts, standby
from pipeline.estimates.failures import exposure, faults, fixes, fleet, more_spares, repeats, swaps
from pipeline.estimates.lines import ahead, lines, waits, whatif
from pipeline.estimates.power import ifout, learnt, places, power, remedies
from pipeline.estimates.power.condense import Brief, condensed
from pipeline.estimates.power.stakes import Stakes
from pipeline.estimates.steps import finish, holders, milestones
from pipeline.estimates.stock import supplies
from pipeline.normalise import power_notes, troubles
from pipeline.settings import Settings


@dataclass(frozen=True)
class LinesThen:
    """The lines as they stood at a time, and the roster and assumptions that they were worked out with."""

    at: datetime
    lines: pl.DataFrame
    outlook: pl.DataFrame
    loads: DataFrame[events.SiteLoads]
    county: County
    settings: Settings
    sites: pl.DataFrame

    def fit(self, known: Known) -> bool:
        """Whether other estimates of `known` can stand on them."""
        same = (self.county, self.settings) == (known.county, known.settings)
        return same and self.at <= known.at and self.sites.equals(known.sites)


class Answers:
    """The estimates at one time, each computed once, on demand."""

    def __init__(
        self, known: Known, horizons: Sequence[int | str] = ahead.HORIZONS, earlier: Sequence[pl.DataFrame] = ()
    ) -> None:
        self.known, self.horizons = known, horizons
        self.earlier = earlier  # `fault_record` of earlier elections, the latest first

    @cached_property
    def readings(self) -> DataFrame[events.TicketReadings]:
        """What the tickets say: TicketReadings."""
        return cast(DataFrame[events.TicketReadings], troubles.read_tickets(self.known))

    @cached_property
    def notes(self) -> pl.DataFrame:
        """What the power notes say: PowerReadings."""
        return power_notes.read_notes(self.known)

    @cached_property
    def brief(self) -> Brief:
        """What is known, without the reports that repeat what a unit has said of its power."""
        return condensed(self.known)

    @cached_property
    def supply(self) -> pl.DataFrame:
        """What every unit runs on: SupplyStates."""
        return power.supply_states(self.brief, self.judged, self.notes)

    @cached_property
    def judged(self) -> power.Judged:
        """What the evidence says of every unit's power, and how those off mains run down."""
        return power.judged(self.brief, self.readings, self.notes, self.batteries)

    @cached_property
    def batteries(self) -> learnt.Fleet:
        """What the discharges seen today say of the county's batteries."""
        return learnt.learnt_fleet(self.brief)

    @cached_property
    def line_states(self) -> lines.LineStates:
        """The particles that lines, outlook and loads are drawn from."""
        return lines.line_states(self.known, self.readings, self.supply)

    @cached_property
    def loads(self) -> DataFrame[events.SiteLoads]:
        """Each site's lines and arrivals still to come: SiteLoads."""
        return cast(DataFrame[events.SiteLoads], lines.site_loads(self.line_states))

    def lines_then(self) -> LinesThen:
        """The lines of T, for estimates of a later time to stand on until its own are worked out."""
        known = self.known
        return LinesThen(
            known.at,
            self.lines,
            self.outlook,
            self.loads,
            known.county,
            known.settings,
            cast(pl.DataFrame, known.sites),
        )

    def stand_on(self, then: LinesThen) -> None:
        """Takes the lines as they stood at an earlier time instead of replaying the day up to T."""
        vars(self).update(lines=then.lines, outlook=then.outlook, loads=then.loads)

    @cached_property
    def ledger(self) -> exposure.Ledger:
        """Counters in runs, and every unit's exposure."""
        return exposure.ledger(self.known)

    @cached_property
    def faults(self) -> pl.DataFrame:
        """Faults of units, each once: Faults."""
        return faults.faults(self.known, self.readings, self.ledger)

    @cached_property
    def lines(self) -> pl.DataFrame:
        return lines.lines(self.line_states)

    @cached_property
    def outlook(self) -> pl.DataFrame:
        return ahead.outlook(self.line_states, self.horizons)

    @cached_property
    def waits(self) -> pl.DataFrame:
        """What people waited, and lost to a cause: Waits. It replays the day, so nobody asks for it in passing."""
        return waits.waits(self.known, lines.day_of(self.known, self.readings, self.supply))

    def whatif(self, change: whatif.Change) -> pl.DataFrame:
        """What a change at one site would do to its waits: WhatIf."""
        return whatif.whatif(self.known, self.readings, self.supply, change)

    @cached_property
    def stakes(self) -> Stakes:
        """What is at stake at the units off mains."""
        return power.stakes(self.brief, self.supply, self.loads, self.judged)

    @cached_property
    def power(self) -> pl.DataFrame:
        return power.power(self.brief, self.supply, self.loads, self.stakes)

    @cached_property
    def exposure(self) -> pl.DataFrame:
        return places.exposure(self.known, self.supply, self.stakes, self.power, self.loads)

    @cached_property
    def circuits(self) -> pl.DataFrame:
        return places.circuits(self.known, self.exposure)

    @cached_property
    def remedies(self) -> pl.DataFrame:
        return remedies.remedies(self.known, self.supply, self.stakes, self.loads)

    @cached_property
    def reports(self) -> pl.DataFrame:
        return reports.reports(self.known, self.ledger)

    def if_out(self, outage: ifout.Supposed) -> pl.DataFrame:
        """What an outage of a circuit would cost: IfOut."""
        states, loads = self.line_states, cast(pl.DataFrame, self.loads)
        if outage.from_at != self.known.at:
            minute = int((outage.from_at - lines.midnight(self.known)).total_seconds() // 60)
            rates = states.places.rates.astype(float)
            loads = ifout.loads_at(loads, states.roster.site_ids, rates, minute - states.places.first_minute)
        return ifout.if_out(self.brief, loads, outage)

    @cached_property
    def repeats(self) -> pl.DataFrame:
        return repeats.repeats(self.known, self.faults, self.earlier, self.ledger)

    @cached_property
    def fault_record(self) -> pl.DataFrame:
        """Faults, exposure and what was due, by unit and class of fault: what a later election starts from."""
        return repeats.record(self.known, self.faults, self.earlier, self.ledger)

    @cached_property
    def kinds(self) -> pl.DataFrame:
        return repeats.kinds(self.known, self.fault_record)

    @cached_property
    def fixes(self) -> pl.DataFrame:
        return fixes.fixes(self.known, self.faults)

    @cached_property
    def fleet(self) -> pl.DataFrame:
        return fleet.fleet(self.known, self.faults, self.ledger)

    @cached_property
    def swaps(self) -> pl.DataFrame:
        return swaps.swaps(self.known, self.repeats, self.fault_record, self.loads)

    @cached_property
    def tickets(self) -> pl.DataFrame:
        return tickets.tickets(self.known, self.readings, self.loads)

    @cached_property
    def dispatch(self) -> pl.DataFrame:
        return self.planned(self.known)

    def planned(self, known: Known) -> pl.DataFrame:
        """The plan for other rovers or parts, all else being as it is: Dispatch."""
        return dispatch.dispatch(known, self.tickets, self.loads, self.power, self.supplies, self.milestones)

    @cached_property
    def standby(self) -> pl.DataFrame:
        return standby.standby(self.known, self.tickets, self.loads, self.dispatch)

    def more_rovers(self, count: int) -> pl.DataFrame:
        """What so many more rovers would save: OneMore."""
        then = self.planned(more.with_rovers(self.known, count))
        return more.answer(self.known, self.tickets, self.dispatch, then, count, self.loads)

    def more_parts(self, part: str) -> pl.DataFrame:
        """What one more of a part would save: OneMore."""
        return more_parts.answer_part(self.known, self.tickets, self.dispatch, self.loads, part, self.planned)

    def more_spares(self, kind: str) -> pl.DataFrame:
        """What one more spare unit of a type would save: OneMore."""
        return more_spares.answer_spare(self.known, self.repeats, self.fault_record, self.loads, kind)

    @cached_property
    def milestones(self) -> pl.DataFrame:
        return milestones.milestones(self.known)

    @cached_property
    def custody(self) -> pl.DataFrame:
        return holders.custody(self.known, self.milestones)

    @cached_property
    def finish(self) -> pl.DataFrame:
        return finish.finish(self.known, self.milestones)

    @cached_property
    def supplies(self) -> pl.DataFrame:
        return supplies.supplies(self.known, self.loads, self.supply)

    @cached_property
    def reconciliation(self) -> pl.DataFrame:
        return reconciliation.reconciliation(self.known, self.readings)

    def answer(self, what: str) -> pl.DataFrame:
        """One estimate, held to its contract: columns of the model first and in its order."""
        frame: pl.DataFrame = getattr(self, what)
        model = ESTIMATES.get(what) or ASKED[f"estimate {what}"]
        names = list(model.to_schema().columns)
        return model.validate(frame).select(names + [c for c in frame.columns if c not in names])
