"""The pages of the board, in the order of a shift."""

from dataclasses import dataclass


@dataclass(frozen=True)
class View:
    """One page: its file in `views/`, its title, whether the wall may show it, and whether it shows tickets."""

    file: str
    title: str
    is_on_wall: bool = True
    shows_tickets: bool = False  # and so is drawn anew at once when one comes


VIEWS = {  # path in the address → page
    "now": View("now", "Now", shows_tickets=True),
    "map": View("county_map", "Map", shows_tickets=True),
    "lines": View("lines", "Lines"),
    "power": View("power", "Power"),
    "units": View("units", "Units"),
    "rovers": View("rovers", "Rovers", shows_tickets=True),
    "tickets": View("tickets", "Tickets", shows_tickets=True),
    "site": View("site", "Site", False, shows_tickets=True),
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
