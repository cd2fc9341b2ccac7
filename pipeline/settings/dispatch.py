"""Assumptions about dispatch and travel."""

from collections.abc import Mapping

from pipeline.settings.assumption import Assumption

# Chance that a ticket of a category needs a rover; our choice [-].
NEEDS_ROVER = {
    "scanner-down": 0.9,
    "scanner-jam": 0.5,
    "memory-card": 0.7,
    "tape-printer": 0.6,
    "bin-full": 0.6,
    "bmd": 0.7,
    "accessible-device": 0.6,
    "poll-book": 0.7,
    "power": 0.6,
    "ballot-stock": 0.9,
}
# Chance that it stops its unit; our choice [-].
STOPS_UNIT = {
    "scanner-down": 0.8,
    "scanner-jam": 0.4,
    "memory-card": 0.1,
    "tape-printer": 0,
    "bin-full": 0.3,
    "bmd": 0.2,
    "accessible-device": 0.2,
    "poll-book": 0.5,
    "ballot-stock": 0.5,
}

# Chance that a visit needs the part that is named for it; our choice [-].
NEEDS_PART = {
    "scanner-jam": 0.2,
    "scanner-down": 0.3,
    "memory-card": 0.5,
    "tape-printer": 0.7,
    "bin-full": 0.5,
    "bmd": 0.4,
    "accessible-device": 0.4,
    "poll-book": 0.4,
    "power": 0.6,
    "ballot-stock": 0.9,
}


def of_categories(chances: Mapping[str, float], name: str, does: str) -> list[Assumption]:
    """One chance a category of ticket."""
    return [
        Assumption(
            f"dispatch.{name}_{category.replace('-', '_')}",
            chance,
            "-",
            f"chance that a ticket of the category {category} {does}",
            "our choice",
            0,
            1,
        )
        for category, chance in chances.items()
    ]


ASSUMPTIONS = [
    Assumption("dispatch.detour_factor", 1.3, "-", "road over great-circle distance", "our choice", 1, 5),
    Assumption("dispatch.speed_kmh", 40, "km/h", "a rover's mean speed", "our choice", 1, 150),
    *(
        Assumption(
            f"dispatch.speed_kmh_{hour:02}",
            0,
            "km/h",
            f"a rover's speed from {hour}:00, local; 0: `speed_kmh`",
            "our choice",
            0,
            150,
        )
        for hour in range(24)
    ),
    Assumption("dispatch.travel_extra_minutes", 2, "min", "parking and walking in, each drive", "our choice", 0, 60),
    Assumption(
        "dispatch.visit_minutes", 20, "min", "a visit, until visits of the day say otherwise", "our choice", 1, 240
    ),
    Assumption("dispatch.visit_spread", 0.5, "-", "sd of the log of a visit's length", "our choice", 0, 3),
    Assumption(
        "dispatch.further_minutes", 8, "min", "each further trouble dealt with on a visit", "our choice", 0, 240
    ),
    Assumption(
        "dispatch.second_visit_minutes",
        45,
        "min",
        "fetching a part that lacks, or a second visit",
        "our choice",
        0,
        480,
    ),
    Assumption(
        "dispatch.pooled_tickets", 8, "tickets", "weight of our figures against the day's own", "our choice", 0.1, 1000
    ),
    Assumption(
        "dispatch.switching_cost", 40, "voter-min", "a rover under way is diverted for more", "our choice", 0, 10_000
    ),
    Assumption(
        "dispatch.switching_share",
        0.1,
        "-",
        "and for more than this share of what its stop loses an hour",
        "our choice",
        0,
        10,
    ),
    Assumption(
        "dispatch.standby_power",
        8,
        "-",
        "weight of long drives where a rover waits: 1 the mean, large the longest",
        "our choice",
        1,
        20,
    ),
    Assumption(
        "dispatch.standby_worth_minutes",
        0.5,
        "min",
        "rovers move to wait elsewhere for as much sooner",
        "our choice",
        0,
        240,
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
        "dispatch.outlying_people",
        20,
        "people",
        "a trouble at a site twice as far out as is usual counts as so many more held up",
        "our choice",
        0,
        1000,
    ),
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
    Assumption("dispatch.foreseen_minutes", 90, "min", "boxes and stocks are seen to ahead", "our choice", 0, 1440),
    Assumption(
        "dispatch.step_overdue_minutes", 60, "min", "a hand-over so late is worth a visit", "our choice", 0, 1440
    ),
    Assumption("dispatch.needs_rover_step", 0.2, "-", "chance that a late hand-over needs a visit", "our choice", 0, 1),
    Assumption("dispatch.custody_people", 2, "rovers", "a hand-over takes at the same time", "our choice", 1, 2),
    Assumption(
        "dispatch.cost_error", 0.35, "-", "sd of the log of a trouble's cost about what is assumed", "our choice", 0, 3
    ),
    Assumption(
        "dispatch.least_people_1", 5, "people", "a trouble of severity 1 counts as at least", "our choice", 0, 1000
    ),
    Assumption("dispatch.least_people_2", 2, "people", "of severity 2", "our choice", 0, 1000),
    Assumption("dispatch.least_people_3", 1, "people", "of severity 3", "our choice", 0, 1000),
    Assumption("dispatch.least_people_4", 0.5, "people", "of severity 4", "our choice", 0, 1000),
    *of_categories(NEEDS_ROVER, "needs_rover", "needs a rover"),
    *of_categories(NEEDS_PART, "part_needed", "cannot be mended without the part named for it"),
    *of_categories(STOPS_UNIT, "stopped", "stops its unit"),
]
