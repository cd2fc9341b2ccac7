"""Assumptions about opening, closing and custody steps."""

from collections.abc import Mapping

from pipeline.settings.assumption import Assumption

# When each step is due, and what it is; our choice, county rules differ [min after opening, min after closing].
AFTER_OPENING = {
    "arrived": (-60, "workers arrived"),
    "seals_checked": (-45, "seals checked"),
    "zero_tape": (-15, "zero report printed"),
    "open": (0, "open"),
}
AFTER_CLOSING = {
    "closed": (0, "closed"),
    "last_voter": (30, "last voter served"),
    "results_tape": (60, "results report printed"),
    "transmitted": (75, "unofficial results sent"),
    "media_sealed": (75, "media sealed"),
    "media_handed_over": (105, "media handed over"),
    "media_received": (180, "media received"),
    "ballots_sealed": (90, "voted ballots sealed"),
    "ballots_handed_over": (120, "voted ballots handed over"),
    "ballots_received": (195, "voted ballots received"),
    "provisional_sealed": (90, "provisional ballots sealed"),
    "provisional_handed_over": (120, "provisional ballots handed over"),
    "provisional_received": (195, "provisional ballots received"),
}


def due(steps: Mapping[str, tuple[float, str]], after: str) -> list[Assumption]:
    """When each of these steps is due."""
    return [
        Assumption(
            f"milestones.{step}_minutes",
            minutes,
            "min",
            f"{said}, after {after}",
            "our choice: county rules differ",
            -1440,
            2880,
        )
        for step, (minutes, said) in steps.items()
    ]


ASSUMPTIONS = [
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
        "milestones.gap_share",
        0.5,
        "-",
        "a closing step takes so much of the time between its due time and the one before",
        "our choice",
        0.05,
        3,
    ),
    *due(AFTER_OPENING, "opening"),
    *due(AFTER_CLOSING, "closing"),
]
