"""Columns that follow a model's own where an answer has rows: name → its type and meaning."""

FURTHER: dict[str, dict[str, tuple[str, str]]] = {
    "reconciliation": {
        "causes": ("list of texts", "every cause that the numbers allow and something speaks for, the likeliest first"),
        "evidence": ("list of texts", "what the day's log holds for each, and where the units' own totals differ"),
        "look_first": ("text", "what to look at first; null where all agrees"),
        "scanners_read": ("whole number", "ballots by the scanners' own counters; null unless all report to the end"),
        "books_checked_in": ("whole number", "voters by the poll books; null unless all report to the end"),
    },
    "supplies": {
        "rate_per_hour": ("number", "what goes in or is used, over the next hour [1/h]"),
        "lead_minutes": ("number", "a trip to the site, getting ready included [min]"),
        "send_by_at": ("time", "when somebody has to leave to be there before the early end of the interval"),
        "is_warned": ("yes or no", "likely enough before closing, and time to leave within half an hour"),
    },
    "power": {
        "chance_off": (
            "number",
            "chance that mains is off at T: the word is right and the outage has not ended unheard",
        ),
        "voter_minutes_low": ("number", "5 %, over the outage's length and the voters still to come; null on mains"),
        "voter_minutes_high": ("number", "95 %, likewise"),
        "empty_at_rated": ("time", "when the roster's rated minutes would end; null on mains or dark"),
        "empty_at_two_hours": ("time", "when the two hours of VVSG 2.0, 2.7-H would end; null on mains or dark"),
        "run_basis": (
            "text",
            "what the run time stands on: rated, times the factors of the settings, and its doubt; null on mains",
        ),
        "marks": ("text", "what is odd about the reports; null: nothing"),
    },
    "repeats": {
        "faults_weighed": ("number", "faults so far, each by its probability [count]"),
        "mostly": ("text", "the class of fault that stands out most"),
        "prior_faults": ("number", "faults that earlier elections add, discounted [count]"),
        "prior_expected": ("number", "faults expected of the unit in those, discounted [count]"),
        "chance_found": ("number", "chance that it would be confirmed by now, were it five times as bad as its like"),
        "misfeed_e_value": (
            "number",
            "evidence that it misfeeds more often than 1 in 500 (VVSG 2.0 1.2-G); 20 is strong",
        ),
        "misfeed_p": ("number", "p-value of that, valid at any look"),
        "mtbf_e_value": ("number", "evidence that it fails more often than once in 163 hours (VVSG 1.0)"),
        "mtbf_p": ("number", "p-value of that, valid at any look"),
        "over_limit": ("text", "limits that it is shown to be over: misfeeds, failures, or none shown"),
        "trend_laplace": ("number", "Laplace's statistic, positive: faults come closer together; null under three"),
        "trend_shape": ("number", "shape of the power law, over 1: getting worse"),
        "trend_p": ("number", "p-value of getting worse"),
        "trend": ("text", "worse, better, or none shown"),
        "came_back": ("whole number", "fixes of it today after which the same class of fault came again [count]"),
        "basis": ("text", "what the row stands on, and what is odd about its counts"),
    },
    "tickets": {
        "waiting_said": ("number", "people in line, as the caller put it [count]"),
        "line_said": ("text", "which line, if the caller said so: checkin or scanner"),
    },
    "dispatch": {
        "voter_minutes_saved_low": ("number", "5 %, if a rover is needed: voters still to come, and the assumed cost"),
        "voter_minutes_saved_high": ("number", "95 %, likewise"),
        "visit_minutes": ("number", "time planned at the stop [min]"),
        "is_under_way": ("yes or no", "the rover has been given the stop and drives there already"),
        "is_diverted": ("yes or no", "a rover drives there and should be turned off to something else first"),
        "decision": ("text", "what a person has entered about it: pinned or accepted; null: nothing"),
        "categories": ("list of texts", "what is wrong there, the worst first; `custody`: a hand-over"),
        "chance_needed": ("number", "chance that it takes a rover, 0 to 1; the rest is settled by telephone or gone"),
        "deadline_at": ("time", "when it begins to cost, where that is foreseen; null: it costs already"),
        "partner": ("text", "the other rover, where it takes two at the same time"),
    },
}
