"""The pages of the board, in the order of a shift."""

from dataclasses import dataclass


@dataclass(frozen=True)
class View:
    """One page: its file in `views/`, its title, and whether a screen on the wall may show it."""

    file: str
    title: str
    is_on_wall: bool = True


VIEWS = {  # path in the address → page
    "now": View("now", "Now"),
    "map": View("county_map", "Map"),
    "lines": View("lines", "Lines"),
    "power": View("power", "Power"),
    "units": View("units", "Units"),
    "rovers": View("rovers", "Rovers"),
    "tickets": View("tickets", "Tickets"),
    "site": View("site", "Site", False),
    "call": View("call", "Take a call", False),
    "report": View("report", "Report", False),
    "opening-closing": View("opening_closing", "Opening & closing"),
    "supplies": View("supplies", "Supplies"),
    "counts": View("counts", "Counts"),
    "intake": View("intake", "Intake", False),
    "hand-over": View("hand_over", "Hand-over", False),
    "review": View("review", "Review", False),
    "alarms": View("alarms", "Alarms & wall", False),
}
ON_WALL = {path: view.title for path, view in VIEWS.items() if view.is_on_wall}
