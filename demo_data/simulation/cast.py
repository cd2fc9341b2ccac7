"""Who and what is there at dawn: sites, units and rovers, with what the rosters say and what is true of them."""

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from demo_data.simulation import places, staged

OPENS, CLOSES = staged.clock("07:00"), staged.clock("20:00")
SEED = 20261103


def stream(*names: object) -> Random:
    """A stream of random numbers of its own, so that a change in one part leaves the others as they were."""
    return Random("/".join(str(name) for name in (SEED, *names)))


def lognormal(rng: Random, mean: float, cv: float) -> float:
    """One draw of a lognormal of that mean and coefficient of variation."""
    sigma = math.sqrt(math.log(1 + cv * cv))
    return mean * math.exp(sigma * rng.gauss(0, 1) - sigma * sigma / 2)


COUNTS = ("checked_in", "issued", "spoiled", "provisional", "left", "left_line")


@dataclass
class Unit:
    """One unit: what the roster says (`row`) and its true state."""

    unit_id: str
    site_id: str
    type: str
    row: dict[str, object]
    run_minutes: float = 240.0  # true battery run time from full [min]
    jam_rate: float = 0.0008  # jams per ballot [1]; VVSG 2.0 1.2-G allows 0.002 for misfeeds and jams together
    misfeed_rate: float = 0.0009
    telemetry: bool = True
    skew: float = 0.0  # unit's clock minus true time [min]
    counted: int = 0
    checkins: int = 0
    misfeeds: int = 0
    jams: int = 0
    bin_used: int = 0
    sequence: int = 0
    busy: bool = False
    jammed: bool = False
    faults: set[str] = field(default_factory=set)  # troubles that stop it now
    full: bool = False
    dark: bool = False
    cards: str = "both"
    paper: str = "ok"
    charge: float = 1.0
    charge_at: float = 0.0
    on_mains: bool = True
    off_since: float = 0.0
    spans: list[tuple[str, float, float]] = field(default_factory=list)

    @property
    def is_up(self) -> bool:
        """Whether it can take a ballot or a voter."""
        return not (self.jammed or self.faults or self.full or self.dark)

    def settle_charge(self, now: float) -> None:
        """Bring the state of charge up to `now`: drained off mains, refilled on mains."""
        gone = now - self.charge_at
        recharge = float(str(self.row["recharge_minutes"]))
        self.charge += gone / recharge if self.on_mains else -gone / self.run_minutes
        self.charge, self.charge_at = min(1.0, max(0.0, self.charge)), now


@dataclass
class Site:
    """One polling place: its roster row, its people and its units."""

    site_id: str
    row: dict[str, object]
    latitude: float
    longitude: float
    circuit: str
    opens: float
    closes: float
    stations: int
    booths: int
    factor: float  # true voters / expected voters
    checkin_minutes: float
    units: list[Unit] = field(default_factory=list)
    checkin_line: deque["Voter"] = field(default_factory=deque)
    scan_line: deque["Voter"] = field(default_factory=deque)
    booth_line: deque["Voter"] = field(default_factory=deque)
    stations_busy: int = 0
    booths_busy: int = 0
    bmd_busy: bool = False
    is_open: bool = False
    dim: bool = False  # no mains: check-in by lamplight
    stopped_since: float | None = None
    emergency: int = 0
    inside: int = 0  # voters between check-in and leaving
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COUNTS, 0))
    last_voter_at: float = 0.0
    long_line_told: float = -1e9

    def of_type(self, kind: str) -> list[Unit]:
        """The site's units of one type, in roster order."""
        return [unit for unit in self.units if unit.type == kind]

    @property
    def name(self) -> str:
        return str(self.row["name"])


@dataclass
class Voter:
    """One voter; `gone` once given up."""

    joined: float
    leave: "Callable[[], None] | None" = None
    gone: bool = False


@dataclass
class Rover:
    """One field technician and where they are."""

    rover_id: str
    row: dict[str, object]
    latitude: float
    longitude: float
    skills: set[str]
    on_shift: float
    off_shift: float
    free: bool = True


def kilometres(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Great-circle distance [km]."""
    (lat1, lon1), (lat2, lon2) = [(math.radians(p[0]), math.radians(p[1])) for p in (a, b)]
    h = math.sin((lat2 - lat1) / 2) ** 2 + math.cos(lat1) * math.cos(lat2) * math.sin((lon2 - lon1) / 2) ** 2
    return 12742.0 * math.asin(math.sqrt(h))


FORCED_CIRCUITS = {"P119": "WEX-1", "P120": "WEX-1", "P125": "WEX-1", "P127": "WEX-1", "P156": "BRM-2", "P148": "BRM-1"}
FORCED_CIRCUITS |= {"P102": "SEAT-3", "P109": "SEAT-3", "P117": "SEAT-2", "P108": "SEAT-2"}
SHORT_BATTERY = {"P120": (0.72, 8.1), "P109": (0.9, 6.4), "P156": (0.55, 7.2)}  # charge at opening, age [years]


def circuit_of(site_id: str, here: tuple[float, float]) -> str:
    """The utility circuit that a site hangs on: the nearest."""
    near = min(places.CIRCUITS, key=lambda name: kilometres(here, places.CIRCUITS[name]))
    return FORCED_CIRCUITS.get(site_id, near)


def stations_for(expected: float, site_id: str) -> int:
    """Check-in stations: the tenth-hour peak of Stewart's profile at 85 % use, 1.4 minutes a voter."""
    if site_id == staged.SHORT_STATIONS:
        return 1
    return max(1, math.ceil(expected * 0.112 / 60 * 1.4 / 0.85))


def make_site(number: int) -> Site:
    """One polling place of the roster, with its true day."""
    name, aliases, street, town, expected = places.SITES[number]
    site_id = f"P{101 + number}"
    rng = stream("site", site_id)
    lat, lon, spread = places.TOWNS[town]
    lat, lon = round(lat + rng.uniform(-spread, spread), 5), round(lon + rng.uniform(-spread, spread) * 1.3, 5)
    circuit = circuit_of(site_id, (lat, lon))
    stations = stations_for(expected, site_id)
    booths = max(5, math.ceil(expected * 0.112 / 60 * 5.5 * 1.3))
    precincts = ";".join(f"{town + 1}{number % 10:02d}{letter}" for letter in "AB"[: 1 + (expected > 550)])
    row: dict[str, object] = {
        "site_id": site_id,
        "name": name,
        "aliases": aliases,
        "address": street,
        "room": rng.choice(places.ROOMS),
        "precincts": precincts,
        "latitude": f"{lat:.5f}",
        "longitude": f"{lon:.5f}",
        "opens": "07:00",
        "closes": "20:00",
        "registered": round(expected * rng.uniform(1.9, 2.6)),
        "expected_voters": expected,
        "checkin_stations": stations,
        "booths": booths,
        "circuit": circuit,
        "entrance": rng.choice(places.ENTRANCES),
        "phone": f"814-555-01{number:02d}",
    }
    factor = {staged.SHORT_STATIONS: 1.1, staged.FULL_BIN: 1.0}.get(site_id, 1.04 * lognormal(rng, 1, 0.18))
    opens = staged.OPENED_AT if site_id == staged.LATE_OPENING else OPENS
    closes = staged.clock(staged.EXTENDED_TO) if site_id == staged.LATE_OPENING else CLOSES
    minutes = 1.28 if site_id == staged.SHORT_STATIONS else lognormal(rng, 1.25, 0.15)
    return Site(site_id, row, lat, lon, circuit, opens, closes, stations, booths, factor, minutes)


PREFIX = {"scan-single": "VS", "bmd": "BM", "electronic-poll-book": "PB"}


def make_unit(site: Site, kind: str, number: int, ordinal: int) -> Unit:
    """One deployed unit. `ordinal` counts the county's units, so that ids are unique."""
    unit_id = f"{PREFIX[kind]}-{ordinal:04d}"
    rng = stream("unit", unit_id)
    year = rng.choice([2017, 2018, 2020, 2021, 2022, 2023])
    charge, age = round(min(1.0, rng.uniform(0.93, 1.06)), 2), round(rng.uniform(0.4, 5.5), 1)
    if kind == "scan-single" and site.site_id in SHORT_BATTERY:
        charge, age = SHORT_BATTERY[site.site_id]
    rated = {"scan-single": 240, "bmd": 120, "electronic-poll-book": 480}[kind]
    row: dict[str, object] = {
        "unit_id": unit_id,
        "site_id": site.site_id,
        "type": kind,
        "serial": f"{rng.randrange(10**7, 10**8)}",
        "role": "deployed",
        "in_service": year,
        "battery_minutes": rated,
        "recharge_minutes": 300,
        "battery_age_years": age,
        "charge_at_open": charge,
        "bin_capacity": (760 if site.site_id == staged.FULL_BIN else 4000) if kind == "scan-single" else "",
        "accessible_expected": "yes" if kind == "bmd" else "no",
    }
    unit = Unit(unit_id, site.site_id, kind, row, charge=charge)
    unit.run_minutes = rated * max(0.3, 1 - 0.06 * age) * lognormal(rng, 1, 0.1)
    unit.jam_rate *= lognormal(rng, 1, 0.8)
    unit.misfeed_rate *= lognormal(rng, 1, 0.8)
    unit.skew = rng.gauss(0, 0.3)
    unit.telemetry = rng.random() > 0.04
    if kind == "electronic-poll-book":
        unit.telemetry = stream("books", site.site_id).random() < 0.4
    return special(unit, site.site_id, number)


def special(unit: Unit, site_id: str, number: int) -> Unit:
    """The units that the day's timetable is about."""
    if unit.type == "scan-single":
        if (site_id, number) == (staged.JAMMER, 1):
            unit.jam_rate, unit.misfeed_rate, unit.telemetry = 0.035, 0.006, True
        if site_id == staged.CLOCK_OFF:
            unit.skew, unit.telemetry = 60.4, True
        if site_id in (staged.FULL_BIN, "P119", "P120", "P125", "P156", "P132"):
            unit.telemetry = True
        if site_id == staged.FULL_BIN:
            unit.jam_rate = 0.0005
    if unit.type == "electronic-poll-book" and site_id in (staged.SHORT_STATIONS, staged.POLL_BOOK_BEHIND):
        unit.telemetry = True
    return unit


def make_sites() -> list[Site]:
    """All sixty, each with scanners, one marking device and a poll book a station."""
    sites, ordinal = [make_site(number) for number in range(len(places.SITES))], 2100
    for site in sites:
        expected = float(str(site.row["expected_voters"]))
        scanners = 2 if expected > 740 and site.site_id != staged.FULL_BIN else 1
        kinds = ["scan-single"] * scanners + ["bmd"] + ["electronic-poll-book"] * site.stations
        if site.site_id == staged.FULL_BIN:
            kinds = ["scan-single", "bmd"] + ["electronic-poll-book"] * site.stations
        seen: dict[str, int] = {}
        for kind in kinds:
            ordinal += 3 if kind == "scan-single" else 1
            site.units.append(make_unit(site, kind, seen.get(kind, 0), ordinal))
            seen[kind] = seen.get(kind, 0) + 1
    return sites


def make_spares(sites: list[Site]) -> list[Unit]:
    """Units that wait at the depot: they report nothing."""
    spares = []
    for number, kind in enumerate(["scan-single"] * 3 + ["bmd"] * 2 + ["electronic-poll-book"] * 4):
        unit = make_unit(sites[0], kind, 9, 9001 + number)
        unit.site_id, unit.telemetry = "", False
        unit.row |= {"site_id": "", "role": "spare"}
        spares.append(unit)
    return spares


SKILLS = [
    "scanner;bmd;power;supplies",
    "scanner;bmd;poll-book",
    "poll-book;power;supplies",
    "scanner;power;supplies",
    "scanner;bmd;poll-book;power;supplies",
    "bmd;poll-book;supplies",
]
SHIFTS = [("05:30", "21:30", "11:30-12:00"), ("05:30", "21:30", "12:30-13:00"), ("06:00", "22:00", "12:00-12:30")]
SHIFTS += [("06:00", "22:00", "13:00-13:30"), ("12:00", "01:00", "17:30-18:00"), ("05:30", "20:30", "")]


def make_rovers() -> list[Rover]:
    """Six rovers: five start in the towns, one at the depot at noon, on shift past midnight."""
    rovers = []
    for number, (skills, (start, end, breaks)) in enumerate(zip(SKILLS, SHIFTS, strict=True)):
        rng = stream("rover", number)
        lat, lon = places.DEPOT if number == 4 else places.TOWNS[number % 5][:2]
        row: dict[str, object] = {
            "rover_id": f"RV-{number + 1}",
            "latitude": f"{lat:.5f}",
            "longitude": f"{lon:.5f}",
            "skills": skills,
            "parts": f"feed-roller:{rng.randrange(1, 4)};thermal-roll:{rng.randrange(4, 9)};battery:{rng.randrange(3)}",
            "on_shift": start,
            "off_shift": end,
            "breaks": breaks,
        }
        off = staged.clock(end) + (1440 if end < start else 0)
        rovers.append(Rover(f"RV-{number + 1}", row, lat, lon, set(skills.split(";")), staged.clock(start), off))
    return rovers
