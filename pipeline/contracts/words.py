"""Closed word lists, each with the place it comes from."""

# NIST SP 1500-101 (April 2020), DeviceType
DEVICE_TYPES = (
    "adjudication",
    "ballot-activation",
    "ballot-printing",
    "blank-ballot-printing",
    "bmd",
    "dre",
    "dre-controller",
    "electronic-cast",
    "electronic-cast-paper",
    "electronic-poll-book",
    "ems",
    "other",
    "scan-batch",
    "scan-single",
    "transmission-receiving",
    "transmission-sending",
)
TYPES = {  # what people call the commonest of them
    "scan-single": "scanner",
    "scan-batch": "batch scanner",
    "bmd": "marking device",
    "electronic-poll-book": "poll book",
}
ROLES = ("deployed", "spare")  # our choice
SKILLS = ("scanner", "bmd", "poll-book", "power", "supplies")  # our choice
# What a dispatcher decides, as entries: action → what its target is, what its values say. Our choice.
DECISIONS = {
    "stop-accepted": ("the rover", "site_id: the stop is this rover's, in the place that saves most"),
    "stop-pinned": ("the rover", "site_id: the stop is this rover's next, whatever it saves"),
    "stop-forbidden": ("the rover, or `*` for every rover", "site_id: not to be sent there"),
    "stop-handed-over": ("the rover that gives it up", "site_id, to: the rover that takes it"),
    "two-needed": ("the site", "nothing: the stop there takes two rovers at the same time"),
    "rover-unavailable": ("the rover", "until: a time, if known; its stops are anybody's"),
    "rover-available": ("the rover", "nothing: ends `rover-unavailable`"),
    "danger-cleared": ("the site", "nothing: the official says that people may go there again"),
}
TICKET_STATUSES = ("open", "assigned", "resolved")  # common practice, no source
POWER_SOURCES = ("mains", "battery")  # VVSG 2.0 (EAC, 2021) 3.2-I, backup power
UNIT_STATES = ("ready", "scanning", "paused", "fault", "closed")  # our choice
PAPER_STATES = ("ok", "low", "out")  # common practice, no source
CARD_STATES = ("both", "one", "none")  # common practice, no source: two removable memory cards
MODEM_STATES = ("up", "down")
ACCESSIBLE_STATES = ("connected", "absent")
MILESTONES = (  # opening, closing and custody steps: EAC Chain of Custody Best Practices v1.1 (2021), read second-hand
    "arrived",
    "seals-checked",
    "zero-tape",
    "open",
    "suspended",
    "resumed",
    "relocated",
    "closed",
    "last-voter",
    "results-tape",
    "transmitted",
    "media-sealed",
    "media-handed-over",
    "media-received",
    "ballots-sealed",
    "ballots-handed-over",
    "ballots-received",
    "provisional-sealed",
    "provisional-handed-over",
    "provisional-received",
)
VOTING_STEPS = ("open", "suspended", "resumed", "relocated")  # say whether voting goes on; they may come again
TICKET_CATEGORIES = (  # our choice; no federal list of polling-place incidents exists
    "scanner-jam",
    "scanner-down",
    "power",
    "poll-book",
    "bmd",
    "accessible-device",
    "tape-printer",
    "ballot-stock",
    "bin-full",
    "seal",
    "memory-card",
    "transmission",
    "long-line",
    "site-access",
    "staffing",
    "conduct",
    "safety",
    "procedure",
    "other",
)
LINES = ("checkin", "scanner")
SUPPLIES = ("mains", "battery", "dark", "unknown")
REMEDIES = ("charged-unit", "battery", "generator", "live-outlet", "emergency-compartment")  # our choice
FAULT_CLASSES = ("misfeed", "jam", "hard-fault", "tape-printer", "memory-card", "power")  # our choice
REPEAT_STANDINGS = ("confirmed", "watch", "ordinary")
MILESTONE_STANDINGS = ("done", "due", "overdue", "not-due")
SUPPLY_ITEMS = ("bin", "emergency", "paper", "ballots")
RECONCILIATION_STANDINGS = ("agrees", "differs", "incomplete")
RECONCILIATION_CAUSES = ("emergency", "rescanned", "left", "provisional", "poll-book", "unexplained")
POWER_EVENTS = ("lost", "restored", "flicker", "generator", "battery-low", "other")
# What an entry of this action says: one row of that feed, in its values. Our choice.
ENTRY_ROWS = {
    "ticket": "tickets",
    "line-count": "line-counts",
    "power-note": "power-notes",
    "outage": "outages",
    "step": "milestones",
    "reading": "status",
    "end-counts": "reconciliation",
    "stock": "ballot-stock",
}
TICKET_STATE = "ticket-state"  # an entry that moves a ticket on: assigned, arrived, resolved; our choice
DISMISS = "dismiss"  # an entry that takes a line off the board's list, with a reason; our choice
TICKET_READ = (
    "ticket-read"  # an entry that says what a ticket is about: site, unit, category, which it repeats; our choice
)
ROVER_SKILLS = ("scanner", "bmd", "poll-book", "power", "supplies")  # what a field technician can see to; our choice
CAN_BE_ADDED = {"checkin-station": "check-in station", "booth": "booth", "scanner": "scanner"}  # by a what-if question
