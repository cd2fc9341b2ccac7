"""What units and greeters report while the day goes on: status reports, head counts."""

from dataclasses import dataclass
from random import Random

from demo_data.simulation import places, staged
from demo_data.simulation.cast import Site, Unit, stream
from demo_data.simulation.engine import Engine

EVERY = 10.0  # minutes between a unit's reports
FIRST = staged.clock("05:55")
LATE_SHARE, LATE_MINUTES = 0.03, 18.0
COUNT_EVERY, COUNT_EVERY_LONG = 75.0, 32.0  # minutes between head counts, where there is a greeter who counts
COUNTING_SHARE = 0.5
# Sites whose reports are held back by a dead line, from and until
HELD = {"P140": ("12:55", "14:20"), "P144": ("16:10", "23:50"), "P123": ("09:05", "09:50"), "P155": ("10:20", "11:05")}


@dataclass
class Report:
    """One row with the time at which the county received it."""

    received_at: float
    row: dict[str, object]


class Reporters:
    """The units' own reports and the greeters' counts."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.status: list[Report] = []
        self.counts: list[Report] = []
        self.rng = stream("reports")

    def prepare(self) -> None:
        for site in self.engine.sites:
            rng = stream("counting", site.site_id)
            for unit in site.units:
                if unit.telemetry:
                    first = FIRST + rng.uniform(0, EVERY)
                    self.engine.at(first, lambda s=site, u=unit: self.report(s, u))  # type: ignore[misc]
            if rng.random() < COUNTING_SHARE or site.site_id in (staged.SHORT_STATIONS, staged.LATE_OPENING):
                first = staged.clock("07:05") + rng.uniform(0, 70)
                self.engine.at(first, lambda s=site, r=rng: self.count_heads(s, r))  # type: ignore[misc]
        for site_id, when in [
            ("P134", "10:09"),
            ("P134", "10:24"),
            ("P119", "10:21"),
            ("P117", "10:22"),
            ("P142", "10:05"),
        ]:
            site = self.engine.by_id[site_id]
            self.engine.at(staged.clock(when), lambda s=site: self.one_count(s, stream("count", s.site_id)))  # type: ignore[misc]

    def report(self, site: Site, unit: Unit) -> None:
        """One status report, if the unit has current at all; the next one in ten minutes."""
        now = self.engine.now
        is_done = now > site.closes + 35 and site.inside <= 0 and not site.checkin_line
        if not unit.dark:
            unit.settle_charge(now)
            unit.sequence += 1
            self.status.append(Report(self.arrival(site, now), self.row(site, unit, is_done)))
        if not is_done:
            self.engine.at(now + EVERY + self.rng.uniform(-0.3, 0.3), lambda: self.report(site, unit))

    def arrival(self, site: Site, now: float) -> float:
        """When the report reaches the county: at once, late, or when the line is up again."""
        held = HELD.get(site.site_id)
        if held and staged.clock(held[0]) <= now < staged.clock(held[1]):
            return staged.clock(held[1]) + self.rng.uniform(0.1, 2)
        if self.rng.random() < LATE_SHARE:
            return now + 2 + self.rng.expovariate(1 / LATE_MINUTES)
        return now + self.rng.uniform(0.05, 0.9)

    def row(self, site: Site, unit: Unit, is_done: bool) -> dict[str, object]:
        """The report's fields; each type of unit sends its own."""
        row: dict[str, object] = {"unit_id": unit.unit_id, "at": self.engine.now + unit.skew, "sequence": unit.sequence}
        stopped = "fault" if unit.jammed or unit.faults else "paused"
        state = "closed" if is_done else "ready" if unit.is_up else stopped
        if state == "ready" and (unit.busy or unit.type == "electronic-poll-book" and site.stations_busy):
            state = "scanning" if unit.type == "scan-single" else "ready"
        power = {"power": "mains" if unit.on_mains else "battery", "battery_percent": round(unit.charge * 100)}
        if unit.type == "electronic-poll-book":
            return row | {"checkins": unit.checkins, **power, "state": state}
        if unit.type == "bmd":
            absent = any(fault in unit.faults for fault in unit.faults) and site.site_id == "P121"
            return (
                row | power | {"state": state, "paper": unit.paper, "accessible": "absent" if absent else "connected"}
            )
        held = HELD.get(site.site_id)
        down = held is not None and staged.clock(held[0]) <= self.engine.now < staged.clock(held[1])
        down = down or (not unit.on_mains and site.dim)
        row |= {"ballots_counted": unit.counted, **power, "misfeeds": unit.misfeeds, "jams": unit.jams, "state": state}
        return row | {"paper": unit.paper, "cards": unit.cards, "modem": "down" if down else "up"}

    # ---- greeters -----------------------------------------------------------------------------------
    def count_heads(self, site: Site, rng: Random) -> None:
        """Count now, then again later: sooner where the line is long."""
        if self.engine.now > site.closes + 5:
            return
        self.one_count(site, rng)
        gap = COUNT_EVERY_LONG if len(site.checkin_line) > 15 else COUNT_EVERY
        self.engine.at(self.engine.now + gap * rng.uniform(0.6, 1.7), lambda: self.count_heads(site, rng))

    def one_count(self, site: Site, rng: Random) -> None:
        """Heads in line, a little wrong where there are many."""
        seen = [max(0, round(n * rng.gauss(1, 0.08))) for n in (len(site.checkin_line), len(site.scan_line))]
        person = rng.choice(places.PEOPLE)
        who = rng.choice(
            [person, "".join(part[0] for part in person.split()).lower(), "greeter", f"{person.split()[0]} (greeter)"]
        )
        row = {"site_id": site.site_id, "at": self.engine.now, "checkin_line": seen[0], "scanner_line": seen[1]}
        if rng.random() < 0.2:
            row["scanner_line"] = ""
        self.counts.append(Report(self.engine.now + rng.uniform(0.5, 9), row | {"counted_by": who}))
