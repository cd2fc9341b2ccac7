"""The day itself: one list of events in the order of time, sixty polling places side by side.

Voters arrive by a thinned Poisson process, wait for a check-in station, mark at a booth, wait for a scanner. Arrivals
by hour: Stewart 2015, Table 3 (2012 survey). Service times: our choice, between Herron & Smith 2016 (39 s check-in)
and Spencer & Markovits 2010 (110 s). Nothing here writes a file.
"""

import heapq
from collections.abc import Callable
from dataclasses import dataclass

from demo_data.simulation.cast import CLOSES, OPENS, Site, Unit, Voter, lognormal, make_sites, stream
from demo_data.simulation.staged import BLIPS, SHORT_STATIONS, STATION_ADDED, STORM, clock

# Share of the day's voters by local hour [%]; polls here are open from 7 to 20, so "before 8" is the hour from 7
HOURLY = {
    7: 15.6,
    8: 8.7,
    9: 9.5,
    10: 11.2,
    11: 8.7,
    12: 5.4,
    13: 7.2,
    14: 6.7,
    15: 6.3,
    16: 6.7,
    17: 6.8,
    18: 5.3,
    19: 2.0,
}
BURST_CV = 0.3  # of the arrival rate from one quarter hour to the next; our choice
BEFORE_OPENING = 0.015  # share of the day's voters in line when the door opens; our choice
MARK_MINUTES, SCAN_MINUTES, BMD_MINUTES = 4.6, 0.38, 8.0
LEAVE_CHECKIN, LEAVE_SCANNER = 0.004, 0.0015  # hazard of giving up, per minute in line
PROVISIONAL, SPOILED, BY_BMD = 0.008, 0.008, 0.03  # shares of voters
END = clock("26:30")


@dataclass
class Step:
    """Something that the engine tells the outside: a jam, a stop, a full bin, a long line, an outage."""

    kind: str
    at: float
    site: Site
    unit: Unit | None = None
    number: int = 0


class Engine:
    """The clock, the list of events and the rules of a polling place."""

    def __init__(self) -> None:
        self.sites = make_sites()
        self.by_id = {site.site_id: site for site in self.sites}
        self.now = clock("05:00")
        self.queue: list[tuple[float, int, Callable[[], None]]] = []
        self.count = 0
        self.tell: Callable[[Step], None] = lambda step: None
        self.rng = {site.site_id: stream("voters", site.site_id) for site in self.sites}
        self.trace: dict[tuple[str, str], list[tuple[float, str, float]]] = {}
        self.lines: list[tuple[str, str, float, int, bool]] = []
        self.charges: list[tuple[str, float, float, float]] = []
        self.bins: list[tuple[str, float]] = []
        self.outage_truth: list[tuple[str, str, float, float]] = []

    def at(self, when: float, what: Callable[[], None]) -> None:
        """Put something on the list; what is due at the same time happens in the order of asking."""
        self.count += 1
        heapq.heappush(self.queue, (max(when, self.now), self.count, what))

    def run(self) -> None:
        """Until nothing is left to happen."""
        while self.queue and self.queue[0][0] <= END:
            self.now, _, what = heapq.heappop(self.queue)
            what()

    # ---- the timetable ----------------------------------------------------------------------------
    def prepare(self) -> None:
        """Arrivals, openings, outages and the minute-by-minute record."""
        for site in self.sites:
            self.plan_arrivals(site)
            self.at(site.opens, lambda site=site: self.open(site))  # type: ignore[misc]
            for unit in site.units:
                unit.charge_at = clock("05:00")
        added = self.by_id[SHORT_STATIONS]
        self.at(STATION_ADDED, lambda: self.add_station(added))
        for number, (circuit, start, end, _, _) in enumerate(STORM):
            self.plan_outage(f"UT-{8801 + number * 7}", circuit, clock(start) + 0.4, clock(end) + 0.7)
        for circuit, start, end in BLIPS:
            self.plan_outage("", circuit, clock(start) + 0.3, clock(end) + 0.1)
        for minute in range(int(OPENS) - 30, int(CLOSES) + 150):
            self.at(minute, self.record)

    def plan_arrivals(self, site: Site) -> None:
        """Thinning (Lewis & Shedler 1979): candidates at the day's top rate, kept in the ratio of the rates."""
        rng = stream("arrivals", site.site_id)
        voters = site.factor * float(str(site.row["expected_voters"]))
        slots = {slot: lognormal(rng, 1, BURST_CV) for slot in range(7 * 4, 22 * 4)}
        for _ in range(round(voters * BEFORE_OPENING)):
            self.at(rng.uniform(OPENS - 25, OPENS), lambda: self.arrive(site))

        def rate(when: float) -> float:
            return voters * HOURLY.get(int(when // 60), 1.0) / 100 / 60 * slots[int(when // 15)]

        top = max(rate(slot * 15.0) for slot in slots)
        when = OPENS
        while (when := when + rng.expovariate(top)) < site.closes:
            if rng.random() * top < rate(when):
                self.at(when, lambda: self.arrive(site))

    def open(self, site: Site) -> None:
        site.is_open = True
        self.serve(site)

    def add_station(self, site: Site) -> None:
        site.stations += 1
        self.serve(site)

    def record(self) -> None:
        """The lines of every site at this minute, and what a long one makes people do."""
        for site in self.sites:
            if self.now < site.closes or site.checkin_line or site.inside:
                waiting, is_free = len(site.checkin_line), site.is_open and site.stations_busy < self.stations(site)
                self.lines.append((site.site_id, "checkin", self.now, waiting, is_free))
                is_free = any(unit.is_up and not unit.busy for unit in site.of_type("scan-single"))
                self.lines.append((site.site_id, "scanner", self.now, len(site.scan_line), is_free))
            self.record_charges(site)
            waiting = len(site.checkin_line)
            if waiting >= 30 and self.now - site.long_line_told > 75 and self.rng[site.site_id].random() < 0.03:
                site.long_line_told = self.now
                self.tell(Step("long-line", self.now, site, number=waiting))

    def record_charges(self, site: Site) -> None:
        """For the truth: every five minutes, what the batteries of a site without mains still hold."""
        for unit in site.units:
            if self.now % 5 == 0 and not unit.on_mains:
                charge = max(0.0, unit.charge - (self.now - unit.charge_at) / unit.run_minutes)
                self.charges.append((unit.unit_id, self.now, charge, self.now + charge * unit.run_minutes))

    # ---- voters -----------------------------------------------------------------------------------
    def arrive(self, site: Site) -> None:
        voter = Voter(self.now)
        site.checkin_line.append(voter)
        self.note(site, "checkin", "join", self.now)
        patience = self.rng[site.site_id].expovariate(LEAVE_CHECKIN)
        self.at(self.now + max(3.0, patience), lambda: self.give_up(site, voter, site.checkin_line, "left_line"))
        self.serve(site)

    def give_up(self, site: Site, voter: Voter, line: "object", kind: str) -> None:
        """A voter who is still in that line goes home."""
        if voter in site.checkin_line and kind == "left_line":
            site.checkin_line.remove(voter)
            site.counts["left_line"] += 1
        elif voter in site.scan_line and kind == "left":
            site.scan_line.remove(voter)
            site.counts["left"] += 1
            self.leave(site)

    def stations(self, site: Site) -> int:
        """Check-in stations that work now."""
        return site.stations - sum(1 for book in site.of_type("electronic-poll-book") if not book.is_up)

    def serve(self, site: Site) -> None:
        """Call the next voters to the stations that are free and working."""
        while site.is_open and site.checkin_line and site.stations_busy < self.stations(site):
            voter = site.checkin_line.popleft()
            site.stations_busy += 1
            self.note(site, "checkin", "start", voter.joined)
            minutes = lognormal(self.rng[site.site_id], site.checkin_minutes * (1.3 if site.dim else 1.0), 0.5)
            self.at(self.now + minutes, lambda: self.check_in(site))
        if site.is_open and not site.checkin_line and site.stations_busy < self.stations(site):
            self.note(site, "checkin", "idle", self.now)

    def check_in(self, site: Site) -> None:
        """A voter is checked in and handed a ballot; a provisional one counts in neither."""
        rng = self.rng[site.site_id]
        site.stations_busy -= 1
        site.inside += 1
        if rng.random() < PROVISIONAL:
            site.counts["provisional"] += 1
            self.at(self.now + lognormal(rng, 12, 0.4), lambda: self.leave(site))
        else:
            books = [u for u in site.of_type("electronic-poll-book") if u.is_up] or site.of_type("electronic-poll-book")
            rng.choice(books).checkins += 1
            site.counts["checked_in"] += 1
            site.counts["issued"] += 1
            self.to_mark(site, Voter(self.now))
        self.serve(site)

    def to_mark(self, site: Site, voter: Voter) -> None:
        """To the marking device or a booth, whichever the voter takes."""
        rng = self.rng[site.site_id]
        device = site.of_type("bmd")[0]
        if rng.random() < BY_BMD and device.is_up and not site.bmd_busy:
            site.bmd_busy = True
            self.at(self.now + lognormal(rng, BMD_MINUTES, 0.4), lambda: self.marked(site, voter, by_device=True))
        elif site.booths_busy < site.booths:
            site.booths_busy += 1
            self.at(self.now + lognormal(rng, MARK_MINUTES, 0.5), lambda: self.marked(site, voter))
        else:
            site.booth_line.append(voter)

    def marked(self, site: Site, voter: Voter, by_device: bool = False) -> None:
        """A ballot is ready; a spoiled one is written again at the same booth."""
        rng = self.rng[site.site_id]
        if rng.random() < SPOILED:
            site.counts["spoiled"] += 1
            site.counts["issued"] += 1
            self.at(self.now + lognormal(rng, 3, 0.4), lambda: self.marked(site, voter, by_device))
            return
        if by_device:
            site.bmd_busy = False
        else:
            site.booths_busy -= 1
            if site.booth_line:
                self.to_mark(site, site.booth_line.popleft())
        voter.joined = self.now
        site.scan_line.append(voter)
        self.note(site, "scanner", "join", self.now)
        patience = max(8.0, rng.expovariate(LEAVE_SCANNER))
        self.at(self.now + patience, lambda: self.give_up(site, voter, site.scan_line, "left"))
        self.scan(site)

    def scan(self, site: Site) -> None:
        """Feed the next ballots to the scanners that are free and working."""
        scanners = site.of_type("scan-single")
        for unit in scanners:
            if unit.is_up and not unit.busy and site.scan_line:
                voter = site.scan_line.popleft()
                self.note(site, "scanner", "start", voter.joined)
                unit.busy = True
                minutes = lognormal(self.rng[site.site_id], SCAN_MINUTES, 0.4)
                self.at(self.now + minutes, lambda unit=unit: self.scanned(site, unit))  # type: ignore[misc]
        if not site.scan_line and any(unit.is_up and not unit.busy for unit in scanners):
            self.note(site, "scanner", "idle", self.now)
        if any(unit.is_up for unit in scanners):
            site.stopped_since = None
        elif site.stopped_since is None:
            site.stopped_since = self.now
            wait = lognormal(self.rng[site.site_id], 22, 0.6)  # until workers turn to the emergency compartment
            self.at(self.now + wait, lambda: self.to_emergency(site))

    def scanned(self, site: Site, unit: Unit) -> None:
        """A ballot goes in, or is caught on the way; then it is counted when the jam is cleared."""
        rng = self.rng[site.site_id]
        if rng.random() < unit.misfeed_rate:
            unit.misfeeds += 1
            self.at(self.now + 0.6, lambda: self.scanned(site, unit))
        elif rng.random() < unit.jam_rate:
            unit.jammed = True
            unit.jams += 1
            minutes = lognormal(rng, 6, 0.7)
            unit.spans.append(("jam", self.now, self.now + minutes))
            self.tell(Step("jam", self.now, site, unit, round(minutes)))
            self.at(self.now + minutes, lambda: self.unjam(site, unit))
        else:
            self.count_ballot(site, unit)

    def unjam(self, site: Site, unit: Unit) -> None:
        unit.jammed = False
        self.count_ballot(site, unit)

    def count_ballot(self, site: Site, unit: Unit) -> None:
        """One ballot read; the box may be full with it."""
        unit.busy = False
        unit.counted += 1
        unit.bin_used += 1
        self.leave(site)
        if unit.bin_used >= int(str(unit.row["bin_capacity"])) and not unit.full:
            unit.full = True
            self.bins.append((unit.unit_id, self.now))
            self.tell(Step("bin-full", self.now, site, unit))
        self.scan(site)

    def empty_bin(self, site: Site, unit: Unit) -> None:
        unit.full, unit.bin_used = False, 0
        self.scan(site)

    def to_emergency(self, site: Site) -> None:
        """While no scanner works, ballots go into the emergency compartment, four a minute."""
        if site.stopped_since is None or any(unit.is_up for unit in site.of_type("scan-single")):
            return
        if site.scan_line:
            voter = site.scan_line.popleft()
            self.note(site, "scanner", "start", voter.joined)
            site.emergency += 1
            self.leave(site)
        self.at(self.now + 0.25, lambda: self.to_emergency(site))

    def leave(self, site: Site) -> None:
        site.inside -= 1
        site.last_voter_at = self.now

    def note(self, site: Site, line: str, what: str, value: float) -> None:
        """For the truth: joins, starts of service and idle servers, from which a newcomer's wait follows."""
        self.trace.setdefault((site.site_id, line), []).append((self.now, what, value))

    # ---- equipment and power ----------------------------------------------------------------------
    def stop_unit(self, site: Site, unit: Unit, why: str) -> None:
        unit.faults.add(why)
        unit.spans.append(("fault", self.now, END))
        if unit.type == "scan-single":
            self.scan(site)

    def mend_unit(self, site: Site, unit: Unit, why: str) -> None:
        if why in unit.faults:
            unit.faults.discard(why)
            last = max(i for i, span in enumerate(unit.spans) if span[0] == "fault")
            unit.spans[last] = ("fault", unit.spans[last][1], self.now)
        self.scan(site)
        self.serve(site)

    def plan_outage(self, outage_id: str, circuit: str, start: float, end: float) -> None:
        self.outage_truth.append((outage_id, circuit, start, end))
        for site in self.sites:
            if site.circuit == circuit:
                self.at(start, lambda site=site: self.lose_mains(site, end))  # type: ignore[misc]

    def lose_mains(self, site: Site, until: float) -> None:
        """Every unit of the site goes to battery, and dark when that is empty."""
        site.dim = until - self.now > 5
        for unit in site.units:
            unit.settle_charge(self.now)
            unit.on_mains, unit.off_since = False, self.now
            unit.spans.append(("off-mains", self.now, until))
            empty = self.now + unit.charge * unit.run_minutes
            if empty < until:
                self.at(empty, lambda unit=unit: self.go_dark(site, unit, until))  # type: ignore[misc]
        self.at(until, lambda: self.regain_mains(site))
        if site.dim:
            self.tell(Step("outage", self.now, site, number=round(until - self.now)))

    def go_dark(self, site: Site, unit: Unit, until: float) -> None:
        """The charge is used up; a pack brought in the meantime has put this off."""
        unit.settle_charge(self.now)
        if unit.on_mains or unit.dark:
            return
        if unit.charge > 0.001:
            left = self.now + unit.charge * unit.run_minutes
            if left < until:
                self.at(left, lambda: self.go_dark(site, unit, until))
            return
        unit.dark = True
        unit.spans.append(("dark", self.now, until))
        self.tell(Step("dark", self.now, site, unit))
        self.scan(site)

    def regain_mains(self, site: Site) -> None:
        site.dim = False
        for unit in site.units:
            unit.settle_charge(self.now)
            unit.on_mains, unit.dark = True, False
        self.scan(site)
        self.serve(site)
