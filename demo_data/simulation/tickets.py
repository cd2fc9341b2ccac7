"""A ticket, and the trouble that it tells of."""

from dataclasses import dataclass, field

from demo_data.simulation.cast import Site, Unit


@dataclass
class Ticket:
    """One call. A state at any time follows from its times."""

    ticket_id: str
    opened_at: float
    site: str
    unit: str
    caller: str
    text: str
    urgency: str
    category: str
    categories: list[str]
    true_site: str
    true_unit: str | None
    event_id: str
    same_as: str | None = None
    assigned_at: float | None = None
    rover_id: str = ""
    arrived_at: float | None = None
    resolved_at: float | None = None
    resolution: str = ""
    unit_in_text: bool = False


@dataclass
class Trouble:
    """One event in the world; several tickets may tell of it."""

    event_id: str
    category: str
    site: Site
    start: float
    unit: Unit | None = None
    also: tuple[str, ...] = ()
    text: str = ""
    said: str = ""
    done: str = ""
    by_rover: bool = False
    minutes: float = 15.0
    number: int = 0
    ends: float | None = None  # ends by itself then
    is_effective: bool = False
    is_pack: bool = False
    has_no_site: bool = False
    finish: float | None = None
    tickets: list[Ticket] = field(default_factory=list)
