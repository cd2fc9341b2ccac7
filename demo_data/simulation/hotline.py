"""The hotline: who calls about what, what is settled by phone, and which rover is sent.

Its rule is plain on purpose (most severe first, then first come; the nearest free rover with the skill): the board has
to do better than that.
"""

from demo_data.simulation import places, staged, texts
from demo_data.simulation.cast import Rover, Site, Unit, kilometres, lognormal, make_rovers, stream
from demo_data.simulation.engine import Engine, Step
from demo_data.simulation.power_desk import PowerDesk
from demo_data.simulation.tickets import Ticket, Trouble
from demo_data.simulation.voices import Voices

# Ordinary troubles of the whole county and day, by category: mean number, first and last time; our choice
ORDINARY: dict[str, tuple[float, str, str]] = {
    "procedure": (30, "06:30", "21:00"),
    "other": (11, "06:30", "21:30"),
    "staffing": (8, "05:50", "17:00"),
    "site-access": (9, "06:05", "18:00"),
    "conduct": (8, "07:20", "19:50"),
    "seal": (5, "06:00", "21:00"),
    "memory-card": (3, "06:20", "20:00"),
    "transmission": (8, "20:15", "21:40"),
    "tape-printer": (7, "06:10", "06:55"),
    "ballot-stock": (5, "09:00", "18:00"),
    "bmd": (12, "06:30", "19:00"),
    "accessible-device": (5, "06:30", "18:00"),
    "poll-book": (15, "06:20", "19:00"),
    "scanner-down": (9, "06:40", "19:30"),
    "safety": (2, "08:00", "19:00"),
}
SKILL = {"scanner-jam": "scanner", "scanner-down": "scanner", "memory-card": "scanner", "tape-printer": "scanner"}
SKILL |= {"bin-full": "scanner", "bmd": "bmd", "accessible-device": "bmd", "poll-book": "poll-book"}
SKILL |= {"power": "power", "ballot-stock": "supplies", "long-line": "poll-book", "other": "supplies"}
SEVERITY = {"safety": 1, "scanner-down": 1, "power": 2, "poll-book": 2, "site-access": 2, "ballot-stock": 2}
SEVERITY |= {"bin-full": 2, "scanner-jam": 2, "long-line": 2, "accessible-device": 2, "memory-card": 2, "bmd": 3}
SEVERITY |= {"tape-printer": 3, "seal": 3, "transmission": 3, "staffing": 3, "conduct": 3}
BY_ROVER = {"scanner-down": 0.6, "poll-book": 0.4, "bmd": 0.45, "accessible-device": 0.5, "ballot-stock": 0.7}
BY_ROVER |= {"memory-card": 0.6, "tape-printer": 0.4, "other": 0.15}
UNIT_TYPE = {"scanner-jam": "scan-single", "scanner-down": "scan-single", "memory-card": "scan-single"}
UNIT_TYPE |= {"tape-printer": "scan-single", "bin-full": "scan-single", "bmd": "bmd", "accessible-device": "bmd"}
UNIT_TYPE |= {"poll-book": "electronic-poll-book", "transmission": "scan-single", "power": "scan-single"}
UNIT_TYPE |= {"seal": "scan-single"}
TOLD_TWICE = {"scanner-down", "poll-book", "bmd", "site-access", "conduct", "safety", "staffing"}
STOPS = {"scanner-down", "poll-book", "bmd", "accessible-device"}
CALL_MINUTES = 4.0  # from trouble to call, mean
ROAD_FACTOR, ROVER_KMH, ROVER_START = 1.3, 45.0, 3.0  # our choice


class Hotline:
    """Takes calls, settles them or sends rovers."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        engine.tell = self.heard
        self.rng = stream("hotline")
        self.rovers = make_rovers()
        self.tickets: list[Ticket] = []
        self.troubles: list[Trouble] = []
        self.waiting: list[tuple[Trouble, Ticket]] = []
        self.voices = Voices(self.rng)
        self.desk = PowerDesk(engine, self.voices)

    # ---- what there is to call about --------------------------------------------------------------
    def prepare(self) -> None:
        """Ordinary and staged troubles, and the rovers' shifts."""
        for category, (mean, first, last) in ORDINARY.items():
            rng = stream("ordinary", category)
            for _ in range(round(rng.gauss(mean, mean**0.5))):
                site = rng.choice(self.engine.sites)
                when = rng.uniform(staged.clock(first), staged.clock(last))
                self.engine.at(when, lambda c=category, s=site: self.ordinary(c, s))  # type: ignore[misc]
        for item in staged.STAGED:
            self.engine.at(staged.clock(item.at) - 3, lambda item=item: self.stage(item))  # type: ignore[misc]
        for rover in self.rovers:
            self.engine.at(rover.on_shift, self.dispatch)

    def new(self, category: str, site: Site, **more: object) -> Trouble:
        trouble = Trouble(f"E{len(self.troubles) + 1:04d}", category, site, self.engine.now, **more)  # type: ignore[arg-type]
        self.troubles.append(trouble)
        return trouble

    def ordinary(self, category: str, site: Site) -> None:
        """A trouble of the kind that every election day brings."""
        unit = self.pick_unit(category, site)
        if category == "ballot-stock" and site.counts["issued"] < 150:
            return
        trouble = self.new(category, site, unit=unit)
        trouble.by_rover = self.rng.random() < BY_ROVER.get(category, 0)
        trouble.minutes = lognormal(self.rng, 16, 0.5)
        trouble.is_effective = category in STOPS and self.rng.random() < (1.0 if category == "scanner-down" else 0.6)
        self.start(trouble)
        if category in TOLD_TWICE and self.rng.random() < 0.2:
            self.call_later(trouble, self.rng.uniform(4, 22))

    def stage(self, item: staged.Staged) -> None:
        """A trouble of the timetable; its call comes at the minute that the timetable says."""
        no_site = not item.site_id
        site = self.engine.by_id[item.site_id or "P133"]
        unit = None
        if item.unit:
            kind, number = item.unit.split("/")
            unit = site.of_type(kind)[int(number)]
        trouble = self.new(
            item.category, site, unit=unit, also=item.also, text=item.text, said=item.said, done=item.done
        )
        trouble.by_rover, trouble.minutes, trouble.is_effective = item.rover, item.minutes, item.effect
        trouble.has_no_site = no_site
        if item.category == "power" and item.site_id != "P156":
            trouble.ends = self.engine.now + 150
        trouble.is_pack = item.site_id == "P156" and item.category == "power"
        trouble.number = len(site.scan_line)
        self.start(trouble, delay=3)

    def pick_unit(self, category: str, site: Site) -> Unit | None:
        kind = UNIT_TYPE.get(category)
        return self.rng.choice(site.of_type(kind)) if kind else None

    def heard(self, step: Step) -> None:
        """What the engine tells: jams, full bins, long lines, outages, units gone dark."""
        handler = {"jam": self.jam, "bin-full": self.bin_full, "long-line": self.long_line}
        handler |= {"outage": self.outage, "dark": self.dark}
        handler[step.kind](step)

    def jam(self, step: Step) -> None:
        is_jammer = step.unit is not None and step.unit.jam_rate > 0.02
        if self.rng.random() < (0.2 if is_jammer else 0.3 + 0.4 * (step.number > 9)):
            trouble = self.new("scanner-jam", step.site, unit=step.unit, ends=step.at + step.number)
            self.start(trouble)
            if self.rng.random() < 0.12:
                self.call_later(trouble, self.rng.uniform(3, 12))

    def bin_full(self, step: Step) -> None:
        trouble = self.new("bin-full", step.site, unit=step.unit, text=staged.BIN_TEXT, minutes=staged.BIN_MINUTES)
        self.start(trouble)

    def long_line(self, step: Step) -> None:
        trouble = self.new("long-line", step.site, number=step.number, minutes=25)
        trouble.ends = step.at + 35
        self.start(trouble)
        if self.rng.random() < 0.3:
            self.call_later(trouble, self.rng.uniform(5, 20))

    def outage(self, step: Step) -> None:
        """Calls from some of the sites, and the power desk's notes."""
        self.desk.note_outage(step)
        if step.site.site_id in ("P119", "P120", "P125") or self.rng.random() > 0.6:
            return
        unit = step.site.of_type("scan-single")[0]
        trouble = self.new("power", step.site, unit=unit, ends=step.at + step.number)
        self.start(trouble)
        if self.rng.random() < 0.3:
            self.call_later(trouble, self.rng.uniform(5, 25))

    def dark(self, step: Step) -> None:
        """A unit's battery is empty: a call, and a pack by rover."""
        if step.unit is None or step.unit.type != "scan-single":
            return
        said = self.rng.choice(texts.DARK)
        trouble = self.new("power", step.site, unit=step.unit, also=("scanner-down",), text=said, by_rover=True)
        trouble.is_pack, trouble.minutes = True, 9.0
        self.start(trouble)

    # ---- the call ---------------------------------------------------------------------------------
    def start(self, trouble: Trouble, delay: float | None = None) -> None:
        """The trouble takes effect; somebody rings a little later."""
        if trouble.is_effective and trouble.unit is not None:
            self.engine.stop_unit(trouble.site, trouble.unit, trouble.event_id)
        wait = min(25.0, 0.7 + self.rng.expovariate(1 / CALL_MINUTES)) if delay is None else delay
        self.call_later(trouble, wait)

    def call_later(self, trouble: Trouble, minutes: float) -> None:
        self.engine.at(self.engine.now + minutes, lambda: self.call(trouble))

    def call(self, trouble: Trouble) -> None:
        """A ticket. The first one is acted on; a repeat is tied to it."""
        now, rng = self.engine.now, self.rng
        ticket_id = f"H-{3001 + len(self.tickets)}"
        severity = SEVERITY.get(trouble.category, 4)
        said_unit = self.voices.say_unit(trouble)
        text = self.voices.say(trouble, said_unit, is_repeat=bool(trouble.tickets))
        number = rng.randrange(100)
        caller = rng.choice([f"{rng.choice(places.PEOPLE)} 555-01{number:02d}", f"814-555-01{number:02d}", "judge", ""])
        site = self.voices.say_site(trouble)
        column = rng.choice([said_unit, said_unit, "", "", trouble.unit.unit_id if trouble.unit else ""])
        ticket = Ticket(
            ticket_id,
            now,
            site,
            column,
            caller,
            text,
            rng.choice(texts.URGENCIES[min(4, max(1, severity + rng.choice([0, 0, 0, 1])))]),
            trouble.category,
            [trouble.category, *trouble.also],
            trouble.site.site_id,
            trouble.unit.unit_id if trouble.unit else None,
            trouble.event_id,
        )
        ticket.unit_in_text = trouble.unit is not None and trouble.unit.unit_id in f"{text} {column}"
        if trouble.has_no_site:
            ticket.true_site, ticket.true_unit = "", None
        first = trouble.tickets[0] if trouble.tickets else None
        trouble.tickets.append(ticket)
        self.tickets.append(ticket)
        if first is not None:
            ticket.same_as = first.ticket_id
            self.repeat(ticket, first)
        elif trouble.by_rover:
            self.waiting.append((trouble, ticket))
            self.dispatch()
        else:
            self.by_phone(trouble, ticket)

    def repeat(self, ticket: Ticket, first: Ticket) -> None:
        """A second call about the same: closed with a word, or left open until the first is."""
        if self.rng.random() < 0.6:
            ticket.assigned_at = ticket.opened_at + self.rng.uniform(1, 4)
            ticket.resolved_at = ticket.assigned_at + self.rng.uniform(0.5, 6)
            ticket.resolution = self.rng.choice([f"same as {first.ticket_id}", "known, see earlier", "duplicate"])
        else:
            ticket.assigned_at = ticket.opened_at + self.rng.uniform(1, 9)
            ticket.resolved_at = ticket.assigned_at + self.rng.uniform(15, 50)
            ticket.resolution = "closed with the first call"

    def by_phone(self, trouble: Trouble, ticket: Ticket) -> None:
        """Answered without a rover; a trouble that ends by itself is closed a little after."""
        wait = 0.5 + self.rng.expovariate(1 / 4.0)
        ticket.assigned_at = ticket.opened_at + wait
        done = ticket.assigned_at + (trouble.minutes if trouble.text else 2 + self.rng.expovariate(1 / trouble.minutes))
        if trouble.ends is not None:
            done = max(ticket.assigned_at + 1.5, trouble.ends) + self.rng.expovariate(1 / 7.0)
        self.engine.at(done, lambda: self.settle(trouble, ticket))

    def settle(self, trouble: Trouble, ticket: Ticket) -> None:
        """The trouble is over and the ticket closed."""
        ticket.resolved_at = trouble.finish = self.engine.now
        ticket.resolution = trouble.done or self.rng.choice(texts.RESOLUTIONS[trouble.category])
        unit = trouble.unit
        if unit is None:
            return
        if trouble.category == "bin-full":
            self.engine.empty_bin(trouble.site, unit)
        if trouble.is_pack:
            unit.settle_charge(self.engine.now)
            unit.charge, unit.dark = min(1.0, unit.charge + 0.6), False
            unit.spans = [
                (k, a, self.engine.now if k == "dark" and b > self.engine.now else b) for k, a, b in unit.spans
            ]
            self.engine.scan(trouble.site)
        if trouble.is_effective:
            self.engine.mend_unit(trouble.site, unit, trouble.event_id)

    # ---- rovers -----------------------------------------------------------------------------------
    def dispatch(self) -> None:
        """Give waiting tickets to free rovers: most severe first, then first come; the nearest with the skill."""
        now = self.engine.now
        self.waiting.sort(key=lambda pair: (SEVERITY.get(pair[0].category, 4), pair[1].opened_at))
        for trouble, ticket in list(self.waiting):
            skill = SKILL.get(trouble.category, "supplies")
            free = [r for r in self.rovers if r.free and r.on_shift <= now < r.off_shift - 20 and skill in r.skills]
            if not free:
                continue
            rover = min(free, key=lambda r: (self.travel(r, trouble.site), r.rover_id))
            self.waiting.remove((trouble, ticket))
            self.send(rover, trouble, ticket)

    def travel(self, rover: Rover, site: Site) -> float:
        """Minutes to the site."""
        distance = kilometres((rover.latitude, rover.longitude), (site.latitude, site.longitude))
        return ROVER_START + ROAD_FACTOR * distance / ROVER_KMH * 60

    def send(self, rover: Rover, trouble: Trouble, ticket: Ticket) -> None:
        rover.free = False
        ticket.assigned_at = self.engine.now + self.rng.uniform(0.4, 3)
        ticket.rover_id = rover.rover_id
        arrive = ticket.assigned_at + self.travel(rover, trouble.site) * lognormal(self.rng, 1, 0.15)
        self.engine.at(arrive, lambda: self.arrived(rover, trouble, ticket))

    def arrived(self, rover: Rover, trouble: Trouble, ticket: Ticket) -> None:
        ticket.arrived_at = self.engine.now
        rover.latitude, rover.longitude = trouble.site.latitude, trouble.site.longitude
        self.engine.at(
            self.engine.now + lognormal(self.rng, trouble.minutes, 0.3), lambda: self.leave(rover, trouble, ticket)
        )

    def leave(self, rover: Rover, trouble: Trouble, ticket: Ticket) -> None:
        self.settle(trouble, ticket)
        rover.free = True
        self.engine.at(self.engine.now + 1, self.dispatch)
