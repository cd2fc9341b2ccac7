"""The hotline: who calls about what, what is settled by phone, and which rover is sent.

Its rule is plain on purpose (most severe first, then first come; the nearest free rover with the skill): the board has
to do better than that.
"""

from dataclasses import dataclass, field

from demo_data.simulation import places, staged, texts
from demo_data.simulation.cast import Rover, Site, Unit, kilometres, lognormal, make_rovers, stream
from demo_data.simulation.engine import Engine, Step

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
OPENERS = [
    "",
    "",
    "",
    "",
    "Hi, ",
    "Judge {p} here: ",
    "fyi: ",
    "{p}: ",
    "Inspector says: ",
    "from the clerk at table 1 - ",
]
AGAIN = ["calling again: ", "Second time I ring about this. ", "still: "]
CLOSERS = ["", "", "", "", "", " Call back {f}.", " thx", " - {p}", " Please hurry.", " ask for {p}, {f}"]
WORDS = {"scan-single": "scanner", "bmd": "marking device", "electronic-poll-book": "tablet"}


@dataclass
class Ticket:
    """One call. A state at any time follows from its times."""

    ticket_id: str
    opened_at: float
    site: str
    unit: str
    caller: str
    text: str
    urgency: str
    category: str
    categories: list[str]
    true_site: str
    true_unit: str | None
    event_id: str
    same_as: str | None = None
    assigned_at: float | None = None
    rover_id: str = ""
    arrived_at: float | None = None
    resolved_at: float | None = None
    resolution: str = ""
    unit_in_text: bool = False


@dataclass
class Trouble:
    """One event in the world; several tickets may tell of it."""

    event_id: str
    category: str
    site: Site
    start: float
    unit: Unit | None = None
    also: tuple[str, ...] = ()
    text: str = ""
    said: str = ""
    done: str = ""
    by_rover: bool = False
    minutes: float = 15.0
    number: int = 0
    ends: float | None = None  # ends by itself then
    is_effective: bool = False
    is_pack: bool = False
    has_no_site: bool = False
    finish: float | None = None
    tickets: list[Ticket] = field(default_factory=list)


class Hotline:
    """Takes calls, settles them or sends rovers; also keeps the power desk's notes."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        engine.tell = self.heard
        self.rng = stream("hotline")
        self.rovers = make_rovers()
        self.tickets: list[Ticket] = []
        self.troubles: list[Trouble] = []
        self.waiting: list[tuple[Trouble, Ticket]] = []
        self.notes: list[tuple[float, str]] = []
        self.decks: dict[str, list[str]] = {}

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
        self.note_outage(step)
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
        said_unit = self.say_unit(trouble)
        text = self.say(trouble, said_unit, is_repeat=bool(trouble.tickets))
        number = rng.randrange(100)
        caller = rng.choice([f"{rng.choice(places.PEOPLE)} 555-01{number:02d}", f"814-555-01{number:02d}", "judge", ""])
        site = self.say_site(trouble)
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

    # ---- words ------------------------------------------------------------------------------------
    def say(self, trouble: Trouble, unit: str, is_repeat: bool) -> str:
        """What the caller says, in one of several voices."""
        rng = self.rng
        template = trouble.text
        if not template or is_repeat:
            deck = self.decks.setdefault(trouble.category, [])
            if not deck:
                deck += rng.sample(texts.TEXTS[trouble.category], len(texts.TEXTS[trouble.category]))
            template = deck.pop()
            openers = AGAIN if is_repeat and rng.random() < 0.4 else OPENERS
            template = rng.choice(openers) + template + rng.choice(CLOSERS)
        waiting = trouble.number or max(3, len(trouble.site.checkin_line) + len(trouble.site.scan_line))
        if trouble.category == "long-line":
            waiting = max(12, round(len(trouble.site.checkin_line) * rng.uniform(0.85, 1.2)))
        seal = rng.randrange(10000, 99999)
        number = trouble.unit.counted if trouble.unit else rng.randrange(40, 110)
        return template.format(
            u=unit or "the unit",
            n=waiting,
            m=max(10, round(waiting * trouble.site.checkin_minutes / max(1, trouble.site.stations))),
            k=rng.randrange(2, 5),
            b=number if trouble.category != "ballot-stock" else rng.randrange(30, 120),
            c=self.say_time(trouble.start),
            p=rng.choice(places.PEOPLE),
            f=f"814-555-01{rng.randrange(100):02d}",
            s1=f"{seal:07d}",
            s2=f"{seal + rng.choice([9, 18, 90]):07d}",
            style=f"{trouble.site.site_id[2:]}-{rng.choice('AB')}",
        )

    def say_unit(self, trouble: Trouble) -> str:
        unit = trouble.unit
        if unit is None:
            return ""
        number = trouble.site.of_type(unit.type).index(unit) + 1
        word = WORDS[unit.type]
        alone = len(trouble.site.of_type(unit.type)) == 1
        options = [unit.unit_id, unit.unit_id, unit.unit_id.replace("-", " ").lower(), f"{word} {unit.unit_id[-4:]}"]
        options += [f"the {word}" if alone else f"{word} {number}", f"our {word}" if alone else f"{word} no. {number}"]
        return self.rng.choice(options)

    def say_site(self, trouble: Trouble) -> str:
        """The place as the caller says it: its name, another name, a street, a precinct, a slip of the tongue."""
        if trouble.said:
            return trouble.said
        rng, site = self.rng, trouble.site
        aliases = str(site.row["aliases"]).split(";")
        draw = rng.random()
        if draw < 0.42:
            return site.name
        if draw < 0.70:
            return rng.choice(aliases)
        if draw < 0.77:
            return rng.choice(aliases).lower()
        if draw < 0.83:
            return site.site_id
        if draw < 0.88:
            return f"precinct {str(site.row['precincts']).split(';')[0]}"
        if draw < 0.92:
            return str(site.row["address"])
        place = rng.randrange(1, len(site.name) - 2)  # two neighbouring letters change places
        return site.name[:place] + site.name[place + 1] + site.name[place] + site.name[place + 2 :]

    def say_time(self, when: float) -> str:
        hours, minutes = int(when // 60) % 24, int(when % 60)
        short = f"{(hours - 1) % 12 + 1}:{minutes:02d}"
        return self.rng.choice(
            [f"{hours:02d}:{minutes:02d}", short, f"{hours:02d}{minutes:02d}", f"{short}{'ap'[hours > 11]}m"]
        )

    # ---- the power desk ---------------------------------------------------------------------------
    def note_outage(self, step: Step) -> None:
        """Notes on one site's outage: lost, promised, low, restored."""
        rng, start, site = stream("notes", step.site.site_id, round(step.at)), step.at, step.site
        promised = next((p for c, _, _, p, _ in staged.STORM if c == site.circuit), [])
        plan = [("lost", start + rng.uniform(1, 9), "")] if rng.random() < 0.8 else []
        plan += [
            ("promise", staged.clock(told) + rng.uniform(1, 6), due) for told, due in promised if rng.random() < 0.3
        ]
        if step.number > 70 and rng.random() < 0.6:
            plan.append(("battery-low", start + rng.uniform(60, step.number), ""))
        if rng.random() < 0.6:
            plan.append(("restored", start + step.number + rng.uniform(1, 10), ""))
        for kind, when, due in plan:
            self.engine.at(when, lambda k=kind, d=due: self.write_note(k, site, d))  # type: ignore[misc]

    def write_note(self, kind: str, site: Site, due: str) -> None:
        """One line, as the person at the desk writes it."""
        rng, now = self.rng, self.engine.now
        unit = site.of_type("scan-single")[0]
        unit.settle_charge(now)
        if kind == "battery-low" and unit.charge < 0.04:
            return
        place = rng.choice([site.name, *str(site.row["aliases"]).split(";"), site.site_id])
        when = self.say_time(now) if rng.random() > 0.08 else ""
        if due and rng.random() < 0.5:
            due = f"{int(due[:2]) - 12 if due > '12:59' else due[:2]}{due[2:]}"
        template = rng.choice(texts.NOTES[kind])
        self.notes.append((now, template.format(t=when, p=place, e=due, pct=round(unit.charge * 100)).strip(" -")))

    def extra_notes(self) -> None:
        """Notes that stand by themselves: blips, and a generator where it must not be."""
        for circuit, start, _ in staged.BLIPS:
            sites = [site for site in self.engine.sites if site.circuit == circuit]
            for site in sites[:2]:
                self.engine.at(staged.clock(start) + 3, lambda s=site: self.write_note("flicker", s, ""))  # type: ignore[misc]
        for when, text in EXTRA_NOTES:
            self.engine.at(staged.clock(when), lambda t=text: self.notes.append((self.engine.now, t)))  # type: ignore[misc]


EXTRA_NOTES = [
    ("08:15", "forecast: wind front from the west mid-morning, gusts to 55 - chargers checked at all sites"),
    ("10:14", "10:13 utility control: WEX-1 tripped, 1,840 customers, crew rolling, no estimate yet"),
    (
        "10:52",
        "10:50 Post 318: neighbors brought generator, running inside the back door. told them OUTSIDE, 20 ft off, now",
    ),
    (
        "11:02",
        "1058 Post 318 generator is out on the lawn now, doors aired, two workers with headache went to get checked",
    ),
    ("13:25", "13:24 SEAT-3 out, tree on the line by Quarry St. utility says a long one"),
    ("13:33", "Maddox branch lost power 13:22, scanner fine so far"),
    ("16:38", "4:36pm Depot Hall and neighbours dark. BRM-2"),
    ("16:58", "power is back on all of SEAT-3 as of 16:52 per utility"),
]
