"""Every assumption that a county may change: value, unit, meaning and source in one table.

A book's `settings.toml` overrides the defaults, `county.toml` overrides both. A name is `section.name`; the sections
are the modules that read them.
"""

import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from pipeline.errors import SettingsError


@dataclass(frozen=True)
class Assumption:
    """One number that a county may change. `low` and `high` are the values that make sense at all."""

    name: str
    default: float
    unit: str
    meaning: str
    source: str
    low: float = 0.0
    high: float = 1e9


# Each section belongs to one module of pipeline/estimates or pipeline/normalise; keep it beside its like.
CLOCKS = [
    Assumption("clocks.correct_above_minutes", 5, "min", "a unit's clock is corrected when off by more", "our choice"),
]
LINES: list[Assumption] = [
    Assumption("lines.particles", 600, "count", "particles a site where a line can form", "our choice", 50, 5000),
    Assumption(
        "lines.checkin_minutes",
        1.45,
        "min",
        "mean service at check-in",
        "Spencer & Markovits 2010: 110 s; Herron & Smith 2016: 39 s",
        0.1,
        20,
    ),
    Assumption("lines.checkin_sd", 0.17, "log", "spread of sites' check-in service", "our choice", 0, 2),
    Assumption(
        "lines.marking_minutes",
        5.2,
        "min",
        "mean time in a marking booth",
        "common practice; 1.8 to 3 in the published samples",
        0.5,
        60,
    ),
    Assumption("lines.marking_sd", 0.25, "log", "spread of sites' time in a booth", "our choice", 0, 2),
    Assumption(
        "lines.scan_minutes",
        0.44,
        "min",
        "mean time at a scanner, walk included",
        "Herron & Smith 2016: 5.5 s for the insertion",
        0.02,
        10,
    ),
    Assumption("lines.scan_sd", 0.15, "log", "spread of sites' time at a scanner", "our choice", 0, 2),
    Assumption(
        "lines.leaving_hazard",
        0.005,
        "1/min",
        "share of those waiting who give up",
        "our choice; Spencer & Markovits 2010: 1.9 % left",
        0,
        0.2,
    ),
    Assumption("lines.opening_crowd", 0.013, "share", "expected voters in line at opening", "our choice", 0, 0.5),
    Assumption(
        "lines.day_sd", 0.35, "log", "spread of a county's turnout about what is expected", "our choice", 0.01, 2
    ),
    Assumption("lines.site_sd", 0.25, "log", "spread of sites about the county's turnout", "our choice", 0.01, 2),
    Assumption("lines.burst_sd", 0.29, "log", "spread of the arrival rate within a day", "our choice", 0, 2),
    Assumption("lines.burst_minutes", 28, "min", "how long such a burst lasts", "our choice", 1, 600),
    Assumption(
        "lines.emergency_hazard",
        0.015,
        "1/min",
        "people at stopped scanners who use the emergency compartment",
        "our choice",
        0,
        1,
    ),
    Assumption(
        "lines.paper_pace",
        0.5,
        "share",
        "speed of check-in by paper list while a poll book is dark",
        "our choice",
        0.05,
        1,
    ),
    Assumption(
        "lines.outage_minutes",
        120,
        "min",
        "usual length of an outage without a promise",
        "EIA, CAIDI, about two hours",
        1,
        10000,
    ),
    Assumption("lines.scanner_fails", 0.0033, "1/min", "stops of a scanner per minute of work", "our choice", 0, 0.1),
    Assumption("lines.jam_share", 0.75, "share", "stops that are short jams", "our choice", 0, 1),
    Assumption("lines.jam_minutes", 5, "min", "mean length of a jam", "our choice", 0.5, 120),
    Assumption("lines.fault_minutes", 38, "min", "mean length of a longer fault", "our choice", 1, 600),
    Assumption("lines.station_fails", 0.0003, "1/min", "check-in stations lost, per station", "our choice", 0, 0.1),
    Assumption("lines.station_minutes", 70, "min", "until a lost check-in station is back", "our choice", 1, 1000),
]
POWER = [
    Assumption(
        "power.rated_minutes",
        240,
        "min",
        "run time of a new battery where the roster is silent",
        "common practice, no source; VVSG 2.0 2.7-H asks for 120",
        1,
    ),
    Assumption("power.recharge_minutes", 300, "min", "empty to full, where the roster is silent", "our choice", 1),
    Assumption(
        "power.capacity_at_new",
        0.95,
        "-",
        "share of the rated run time that a new battery gives",
        "our choice, from simulated days",
        0.1,
        1.5,
    ),
    Assumption(
        "power.fade_per_year",
        0.055,
        "1/year",
        "capacity lost a year of a battery's age",
        "our choice, from simulated days",
        0,
        0.5,
    ),
    Assumption(
        "power.temperature_factor",
        1,
        "-",
        "run time against that at room temperature",
        "our choice: published factors disagree",
        0.1,
        1.5,
    ),
    Assumption(
        "power.capacity_spread",
        0.08,
        "-",
        "spread of the run time among batteries alike (one sd of its logarithm)",
        "our choice, from simulated days",
        0.005,
        1,
    ),
    Assumption(
        "power.fleet_weight",
        4,
        "count",
        "batteries seen discharging today that weigh as much as the settings of run time",
        "our choice",
        0.1,
    ),
    Assumption(
        "power.battery_age_years", 3, "year", "age of a battery, where the roster is silent", "our choice", 0, 50
    ),
    Assumption(
        "power.start_charge", 0.98, "-", "state of charge at opening, where the roster is silent", "our choice", 0, 1
    ),
    Assumption(
        "power.start_spread",
        0.03,
        "-",
        "doubt of the state of charge when mains was lost (one sd)",
        "our choice",
        0.001,
        1,
    ),
    Assumption(
        "power.percent_error",
        3,
        "%",
        "error of a reported battery percentage (one sd)",
        "our choice, from simulated days",
        0.5,
        50,
    ),
    Assumption(
        "power.outage_minutes",
        120.2,
        "min",
        "mean length of an outage",
        "EIA Electric Power Annual, Table 11.1: CAIDI 2022 without major event days",
        1,
    ),
    Assumption(
        "power.outage_sigma",
        1,
        "-",
        "spread of an outage's length (sd of its logarithm)",
        "an assumption; EIA gives means only",
        0.1,
        3,
    ),
    Assumption(
        "power.outage_prior_weight",
        8,
        "count",
        "ended outages of today that weigh as much as the published mean",
        "our choice",
        0.1,
    ),
    Assumption(
        "power.promise_ratio",
        0.85,
        "-",
        "median of the time to restoration against the utility's estimate",
        "our choice, from simulated days",
        0.05,
        20,
    ),
    Assumption(
        "power.promise_sigma",
        0.65,
        "-",
        "spread of that ratio (sd of its logarithm)",
        "our choice, from simulated days",
        0.05,
        3,
    ),
    Assumption(
        "power.note_hours",
        6,
        "h",
        "a note or ticket of lost power counts for so long without other news",
        "our choice",
        0.1,
        48,
    ),
    Assumption("power.bmd_share", 0.05, "-", "voters who mark with a ballot marking device", "our choice", 0, 1),
]
REPEATS = [
    Assumption(
        "repeats.same_event_minutes", 15, "min", "reports and tickets so close tell of one fault", "our choice", 1, 240
    ),
    Assumption(
        "repeats.false_discovery_rate", 0.1, "-", "false discoveries among the confirmed", "our choice", 0.001, 0.5
    ),
    Assumption(
        "repeats.watch_chance",
        0.5,
        "-",
        "chance of over three times the fleet's rate from which a unit is watched",
        "our choice",
        0.05,
        0.99,
    ),
]
TICKETS = [
    Assumption(
        "tickets.site_threshold", 0.8, "probability", "a site is answered from this probability up", "our choice", 0, 1
    ),
    Assumption(
        "tickets.horizon_minutes", 60, "min", "span over which voter-minutes at risk are counted", "our choice", 1
    ),
]
DISPATCH = [
    Assumption("dispatch.detour_factor", 1.3, "-", "road over great-circle distance", "our choice", 1, 5),
    Assumption("dispatch.speed_kmh", 40, "km/h", "a rover's mean speed", "our choice", 1, 150),
    Assumption("dispatch.travel_extra_minutes", 2, "min", "parking and walking in, each drive", "our choice", 0, 60),
    Assumption(
        "dispatch.visit_minutes", 20, "min", "a visit, until visits of the day say otherwise", "our choice", 1, 240
    ),
    Assumption(
        "dispatch.further_minutes", 8, "min", "each further trouble dealt with on a visit", "our choice", 0, 240
    ),
    Assumption(
        "dispatch.pooled_tickets", 8, "tickets", "weight of our figures against the day's own", "our choice", 0.1, 1000
    ),
    Assumption("dispatch.index_horizon_minutes", 45, "min", "horizon of the index rule, H", "our choice", 1, 480),
    Assumption(
        "dispatch.unvisited_minutes", 240, "min", "a trouble nobody visits lasts that long", "our choice", 30, 1440
    ),
    Assumption("dispatch.growth_cap_minutes", 120, "min", "a stopped line grows for that long", "our choice", 1, 1440),
    Assumption(
        "dispatch.soft_cap_minutes", 120, "min", "waiting for a rover beyond this counts more", "our choice", 0, 1440
    ),
    Assumption("dispatch.soft_cap_people", 2, "people", "how much more, as people held up", "our choice", 0, 1000),
    Assumption(
        "dispatch.rover_minutes", 90, "min", "a rover or a second call comes after, on average", "our choice", 1, 1440
    ),
    Assumption(
        "dispatch.left_open", 0.05, "-", "share of tickets that are settled and never closed", "our choice", 0, 1
    ),
    Assumption(
        "dispatch.overdue_minutes", 60, "min", "past its arrival, a rover's stop is in doubt", "our choice", 0, 1440
    ),
    Assumption(
        "dispatch.phone_minutes", 20, "min", "mean time in which the phone settles what it can", "our choice", 1, 480
    ),
    Assumption("dispatch.scanner_per_minute", 3, "voters/min", "one scanner can take in", "our choice", 0.1, 60),
    Assumption("dispatch.checkin_per_minute", 0.8, "voters/min", "one check-in station serves", "our choice", 0.05, 60),
    Assumption(
        "dispatch.least_saving", 10, "voter-min", "a stop that saves less is not proposed", "our choice", 0, 1000
    ),
    Assumption("dispatch.threat_chance", 0.2, "-", "a unit that may go dark earns a visit above", "our choice", 0, 1),
    Assumption(
        "dispatch.threat_voter_minutes", 60, "voter-min", "and above this expected loss at its site", "our choice"
    ),
    Assumption(
        "dispatch.least_people_1", 5, "people", "a trouble of severity 1 counts as at least", "our choice", 0, 1000
    ),
    Assumption("dispatch.least_people_2", 2, "people", "of severity 2", "our choice", 0, 1000),
    Assumption("dispatch.least_people_3", 1, "people", "of severity 3", "our choice", 0, 1000),
    Assumption("dispatch.least_people_4", 0.5, "people", "of severity 4", "our choice", 0, 1000),
    Assumption(
        "dispatch.needs_rover_scanner_down",
        0.9,
        "-",
        "chance that a scanner-down ticket needs a rover",
        "our choice",
        0,
        1,
    ),
    Assumption(
        "dispatch.needs_rover_scanner_jam",
        0.5,
        "-",
        "chance that a scanner-jam ticket needs a rover",
        "our choice",
        0,
        1,
    ),
    Assumption(
        "dispatch.needs_rover_memory_card",
        0.7,
        "-",
        "chance that a memory-card ticket needs a rover",
        "our choice",
        0,
        1,
    ),
    Assumption(
        "dispatch.needs_rover_tape_printer",
        0.6,
        "-",
        "chance that a tape-printer ticket needs a rover",
        "our choice",
        0,
        1,
    ),
    Assumption(
        "dispatch.needs_rover_bin_full", 0.6, "-", "chance that a bin-full ticket needs a rover", "our choice", 0, 1
    ),
    Assumption("dispatch.needs_rover_bmd", 0.7, "-", "chance that a bmd ticket needs a rover", "our choice", 0, 1),
    Assumption(
        "dispatch.needs_rover_accessible_device",
        0.6,
        "-",
        "chance that a accessible-device ticket needs a rover",
        "our choice",
        0,
        1,
    ),
    Assumption(
        "dispatch.needs_rover_poll_book", 0.7, "-", "chance that a poll-book ticket needs a rover", "our choice", 0, 1
    ),
    Assumption("dispatch.needs_rover_power", 0.6, "-", "chance that a power ticket needs a rover", "our choice", 0, 1),
    Assumption(
        "dispatch.needs_rover_ballot_stock",
        0.9,
        "-",
        "chance that a ballot-stock ticket needs a rover",
        "our choice",
        0,
        1,
    ),
    Assumption(
        "dispatch.stopped_scanner_down",
        0.8,
        "-",
        "chance that a scanner-down ticket stops its unit",
        "our choice",
        0,
        1,
    ),
    Assumption(
        "dispatch.stopped_scanner_jam", 0.4, "-", "chance that a scanner-jam ticket stops its unit", "our choice", 0, 1
    ),
    Assumption(
        "dispatch.stopped_memory_card", 0.1, "-", "chance that a memory-card ticket stops its unit", "our choice", 0, 1
    ),
    Assumption(
        "dispatch.stopped_tape_printer", 0, "-", "chance that a tape-printer ticket stops its unit", "our choice", 0, 1
    ),
    Assumption(
        "dispatch.stopped_bin_full", 0.3, "-", "chance that a bin-full ticket stops its unit", "our choice", 0, 1
    ),
    Assumption("dispatch.stopped_bmd", 0.2, "-", "chance that a bmd ticket stops its unit", "our choice", 0, 1),
    Assumption(
        "dispatch.stopped_accessible_device",
        0.2,
        "-",
        "chance that a accessible-device ticket stops its unit",
        "our choice",
        0,
        1,
    ),
    Assumption(
        "dispatch.stopped_poll_book", 0.5, "-", "chance that a poll-book ticket stops its unit", "our choice", 0, 1
    ),
    Assumption(
        "dispatch.stopped_ballot_stock",
        0.5,
        "-",
        "chance that a ballot-stock ticket stops its unit",
        "our choice",
        0,
        1,
    ),
]
SUPPLIES = [
    Assumption(
        "supplies.bin_capacity",
        4000,
        "count",
        "ballots in a main compartment, where the roster is silent",
        "common practice, no source",
        1,
    ),
    Assumption(
        "supplies.share_spread",
        0.15,
        "-",
        "doubt of a scanner's share of its site's ballots (one sd, relative)",
        "our choice",
        0,
        2,
    ),
    Assumption(
        "supplies.pace_spread",
        0.25,
        "-",
        "doubt of the forecast pace beside its own interval (one sd, relative)",
        "our choice, from simulated days",
        0,
        2,
    ),
    Assumption(
        "supplies.unreported_spread",
        0.35,
        "-",
        "doubt of what is in a box without a counter (one sd, relative)",
        "our choice",
        0,
        2,
    ),
    Assumption(
        "supplies.spoiled_share", 0.01, "-", "ballots spoiled and replaced, of those issued", "our choice", 0, 1
    ),
    Assumption(
        "supplies.paper_ok_chance",
        0.02,
        "-",
        "chance that paper reported ok runs out before closing",
        "our choice",
        0,
        1,
    ),
    Assumption(
        "supplies.paper_low_chance",
        0.5,
        "-",
        "chance that paper reported low runs out before closing",
        "our choice",
        0,
        1,
    ),
]
MILESTONES = [
    Assumption(
        "milestones.grace_minutes", 15, "min", "a step is overdue so long after it was due", "our choice", 0, 1440
    ),
    Assumption(
        "milestones.custody_minutes",
        90,
        "min",
        "handed over and not received for so long is a gap",
        "our choice",
        1,
        2880,
    ),
    Assumption(
        "milestones.arrived_minutes",
        -60,
        "min",
        "workers arrived, after opening",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.seals_checked_minutes",
        -45,
        "min",
        "seals checked, after opening",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.zero_tape_minutes",
        -15,
        "min",
        "zero report printed, after opening",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.open_minutes", 0, "min", "open, after opening", "our choice: county rules differ", -1440, 2880
    ),
    Assumption(
        "milestones.closed_minutes", 0, "min", "closed, after closing", "our choice: county rules differ", -1440, 2880
    ),
    Assumption(
        "milestones.last_voter_minutes",
        30,
        "min",
        "last voter served, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.results_tape_minutes",
        60,
        "min",
        "results report printed, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.transmitted_minutes",
        75,
        "min",
        "unofficial results sent, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.media_sealed_minutes",
        75,
        "min",
        "media sealed, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.media_handed_over_minutes",
        105,
        "min",
        "media handed over, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.media_received_minutes",
        180,
        "min",
        "media received, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.ballots_sealed_minutes",
        90,
        "min",
        "voted ballots sealed, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.ballots_handed_over_minutes",
        120,
        "min",
        "voted ballots handed over, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.ballots_received_minutes",
        195,
        "min",
        "voted ballots received, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.provisional_sealed_minutes",
        90,
        "min",
        "provisional ballots sealed, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.provisional_handed_over_minutes",
        120,
        "min",
        "provisional ballots handed over, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
    Assumption(
        "milestones.provisional_received_minutes",
        195,
        "min",
        "provisional ballots received, after closing",
        "our choice: county rules differ",
        -1440,
        2880,
    ),
]
RECONCILIATION = [
    Assumption(
        "reconciliation.small_difference",
        3,
        "count",
        "a difference up to this is people, a larger one a stack",
        "our choice",
        0,
        1000,
    ),
]

ASSUMPTIONS: dict[str, Assumption] = {
    assumption.name: assumption
    for section in (CLOCKS, LINES, POWER, REPEATS, TICKETS, DISPATCH, SUPPLIES, MILESTONES, RECONCILIATION)
    for assumption in section
}


class Settings(Mapping[str, float]):
    """The assumptions in force: `settings["clocks.correct_above_minutes"]`, a float in the assumption's unit."""

    def __init__(self, overrides: Mapping[str, float] | None = None) -> None:
        self._values = {name: a.default for name, a in ASSUMPTIONS.items()} | dict(overrides or {})

    def __getitem__(self, name: str) -> float:
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)


def flatten(table: Mapping[str, object], where: str) -> dict[str, float]:
    """The assumptions of a TOML table of sections, checked.

    Raises
    ------
    SettingsError : for a name that is no assumption, or a value that is no number or makes no sense.
    """
    found: dict[str, float] = {}
    for section, values in table.items():
        if not isinstance(values, Mapping):
            raise SettingsError(
                f"{where}, {section}: not a section of assumptions. Write it as [section] with name = value below."
            )
        for name, value in values.items():
            found[f"{section}.{name}"] = checked(f"{section}.{name}", value, where)
    return found


def checked(name: str, value: object, where: str) -> float:
    """One assumption's value, checked against what makes sense."""
    if name not in ASSUMPTIONS:
        raise SettingsError(
            f"{where}, {name}: no assumption has that name. `settings.toml` of a new book lists them all."
        )
    a = ASSUMPTIONS[name]
    if isinstance(value, bool) or not isinstance(value, int | float) or not a.low <= value <= a.high:
        raise SettingsError(
            f"{where}, {name}: {value!r} is not a number from {a.low:g} to {a.high:g} [{a.unit}]. Correct it."
        )
    return float(value)


def read_settings(text: str, where: str) -> dict[str, float]:
    """The overrides in the text of a settings.toml."""
    try:
        return flatten(tomllib.loads(text), where)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{where}: not readable as TOML ({error}). Correct that line.") from error


def settings_text(assumptions: Iterable[Assumption] | None = None) -> str:
    """A new book's settings.toml: every assumption as a comment with its unit, meaning and source, ready to change."""
    lines = ["# Assumptions that a county may change. Take the `#` off a value to change it.", ""]
    section = None
    for a in ASSUMPTIONS.values() if assumptions is None else assumptions:
        head, name = a.name.split(".", 1)
        if head != section:
            lines += [f"[{head}]"]
            section = head
        lines += [f"# {a.meaning} [{a.unit}]. Source: {a.source}", f"# {name} = {a.default:g}", ""]
    return "\n".join(lines)
