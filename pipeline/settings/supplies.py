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
    Assumption("supplies.low_metres", 3, "m", "paper left when a roll is first reported low", "our choice", 0.1, 100),
    Assumption(
        "supplies.report_metres",
        1,
        "m",
        "paper of one copy of the results report",
        "our choice: contests differ",
        0,
        100,
    ),
    Assumption(
        "supplies.report_copies", 3, "count", "copies of the results report", "common practice, no source", 0, 50
    ),
    Assumption(
        "supplies.emergency_capacity",
        300,
        "count",
        "ballots that an emergency compartment holds",
        "common practice, no source",
        1,
    ),
    Assumption(
        "supplies.hours_between_stops",
        200,
        "h",
        "hours at work between two stops of a scanner, for the emergency compartment",
        "our choice",
        1,
        100_000,
    ),
    Assumption(
        "supplies.sheets_per_ballot", 1, "count", "sheets that a ballot has", "common practice, no source", 1, 10
    ),
    Assumption(
        "supplies.ballot_length_in",
        14,
        "in",
        "length of a ballot sheet; 11 to 22 in, 8.5 in wide",
        "common practice, no source",
        5,
        30,
    ),
    Assumption(
        "supplies.ballot_stock_lb",
        100,
        "lb",
        "weight of the ballot stock; 80 to 110 lb",
        "common practice, no source",
        20,
        200,
    ),
    Assumption(
        "supplies.ready_minutes", 10, "min", "getting ready to leave with what is missing", "our choice", 0, 240
    ),
    Assumption(
        "supplies.warn_chance", 0.2, "-", "chance before closing from which somebody is warned", "our choice", 0.01, 1
    ),
]
