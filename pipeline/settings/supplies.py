"""Assumptions about what runs out."""

from pipeline.settings.assumption import Assumption

ASSUMPTIONS = [
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
