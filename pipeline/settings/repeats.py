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
]
