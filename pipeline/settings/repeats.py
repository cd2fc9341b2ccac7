"""Assumptions about units that fail again."""

from pipeline.settings.assumption import Assumption

ASSUMPTIONS = [
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
    Assumption(
        "repeats.single_state_chance",
        0.8,
        "-",
        "chance that a fault shown by one report alone was one",
        "our choice",
        0.05,
        1,
    ),
    Assumption(
        "repeats.unseen_chance",
        0.3,
        "-",
        "chance that a unit that reports has a fault which its reports do not show",
        "our choice",
        0.01,
        1,
    ),
    Assumption(
        "repeats.own_power_chance",
        0.3,
        "-",
        "chance that a power call about one unit, no outage listed, is the unit's own fault",
        "our choice",
        0.01,
        1,
    ),
    Assumption(
        "repeats.prior_discount",
        0.5,
        "-",
        "weight of last election's record beside today's; of the one before, its square",
        "our choice (a power prior: Ibrahim and Chen 2000)",
        0,
        1,
    ),
    Assumption(
        "repeats.limit_misfeeds",
        0.002,
        "1/ballot",
        "misfeeds a ballot that a unit may have",
        "VVSG 2.0 (EAC, 2021) 1.2-G: 1 in 500",
        1e-6,
        0.5,
    ),
    Assumption(
        "repeats.limit_mtbf_hours",
        163,
        "h",
        "mean time between failures that a unit must reach",
        "VVSG 1.0 (2005): 163 hours demonstrated",
        1,
        100_000,
    ),
    Assumption(
        "repeats.limit_multiple",
        5,
        "-",
        "a unit over a limit is thought to be over it by so many times; sets how soon it is seen, not the error",
        "our choice",
        1.1,
        100,
    ),
    Assumption("repeats.misfeed_minutes", 0.5, "min", "voting at a unit is held up by a misfeed", "our choice", 0, 60),
    Assumption("repeats.jam_minutes", 5, "min", "voting at a unit is held up by a jam", "our choice", 0, 240),
    Assumption(
        "repeats.hard_fault_minutes", 45, "min", "voting at a unit is held up by a hard fault", "our choice", 0, 720
    ),
    Assumption(
        "repeats.other_fault_minutes", 10, "min", "voting at a unit is held up by another fault", "our choice", 0, 720
    ),
    Assumption(
        "repeats.swap_minutes",
        25,
        "min",
        "changing a unit for a spare: seals, counters, zero report, two people",
        "our choice",
        1,
        480,
    ),
]
