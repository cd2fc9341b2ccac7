"""How the board says things: times in the county's zone, ages, figures with their interval, words for codes."""

from datetime import datetime, timedelta
from functools import lru_cache
from html import escape
from zoneinfo import ZoneInfo

from pipeline.contracts.moments import spelled
from pipeline.contracts.words import TYPES as TYPES

UNKNOWN = "unknown"
CATEGORIES = {
    "scanner-jam": "scanner jams",
    "scanner-down": "scanner stopped",
    "power": "power",
    "poll-book": "poll book trouble",
    "bmd": "marking device trouble",
    "accessible-device": "accessible device trouble",
    "tape-printer": "report printer trouble",
    "ballot-stock": "ballots short or wrong",
    "bin-full": "ballot bin full",
    "seal": "seal",
    "memory-card": "memory card",
    "transmission": "results cannot be sent",
    "long-line": "long line",
    "site-access": "access to the place",
    "staffing": "staffing",
    "conduct": "conduct",
    "safety": "danger",
    "procedure": "question on procedure",
    "other": "something else",
}
SKILLS = {"scanner": "scanners", "bmd": "marking devices", "poll-book": "poll books"}
LINES = {"checkin": "check-in line", "scanner": "scanner line"}
SUPPLIES = {"mains": "on mains", "battery": "on battery", "dark": "dark", "unknown": UNKNOWN}
STANDINGS = {"done": "✓ done", "due": "◇ due", "overdue": "▲ overdue", "not-due": "· not due"}
REPEATS = {"confirmed": "▲ confirmed", "watch": "◇ watch", "ordinary": "· ordinary"}
COUNTS = {"agrees": "✓ agrees", "differs": "▲ differs", "incomplete": "◇ incomplete"}
CAUSES = {
    "emergency": "emergency ballots not added",
    "rescanned": "a stack scanned twice",
    "left": "voters left without casting",
    "provisional": "provisional counted as regular",
    "poll-book": "poll book behind",
    "unexplained": "no explanation found",
}
KINDS = {
    "tickets": "tickets",
    "status": "status",
    "power-notes": "power notes",
    "outages": "outages",
    "line-counts": "line counts",
    "milestones": "steps",
    "reconciliation": "end-of-day counts",
    "ballot-stock": "ballot stock",
}
ACTIONS = {
    "ticket": "Call",
    "line-count": "Line count",
    "power-note": "Power note",
    "outage": "Outage",
    "step": "Step",
    "reading": "Reading",
    "end-counts": "End-of-day counts",
    "stock": "Ballot stock",
    "ticket-state": "Ticket moved on",
    "note": "Note",
    "dismiss": "Dismissed",
    "withdraw": "Taken back",
    "mend": "Row mended",
    "stop-accepted": "Rover sent",
    "stop-pinned": "Stop pinned",
    "stop-forbidden": "Stop forbidden",
    "stop-handed-over": "Stop handed over",
    "two-needed": "Second person needed",
    "rover-unavailable": "Rover unavailable",
    "rover-available": "Rover available again",
    "danger-cleared": "Danger cleared",
    "alarm-set": "Alarm set",
    "alarm-muted": "Alarm muted",
    "ticket-read": "Ticket corrected",
}
TIMES_KEPT = 20_000  # times of day in words that are kept: a table of a large county says the same ones often [count]


def local(moment: datetime, zone: str) -> datetime:
    """A moment in the county's zone."""
    return moment.astimezone(ZoneInfo(zone))


@lru_cache(maxsize=TIMES_KEPT)
def clock(moment: datetime | None, zone: str, beside: datetime | None = None) -> str:
    """A time of day in the county's zone, with the weekday where it is not that of `beside`."""
    if moment is None:
        return UNKNOWN
    there = local(moment, zone)
    twice = there.replace(fold=0).utcoffset() != there.replace(fold=1).utcoffset()
    form = "%H:%M %Z" if twice else "%H:%M"  # both hours of a repeated hour told apart
    if beside is not None and there.date() != local(beside, zone).date():
        form = f"%a {form}"
    return f"{there:{form}}"


def day_clock(moment: datetime, zone: str) -> str:
    """Weekday and time of day; in an hour that occurs twice, which of the two."""
    there = local(moment, zone)
    twice = there.replace(fold=0).utcoffset() != there.replace(fold=1).utcoffset()
    return f"{there:%a %H:%M %Z}" if twice else f"{there:%a %H:%M}"


def full_time(moment: datetime, zone: str) -> str:
    """Weekday, date, time and zone."""
    there = local(moment, zone)
    return f"{there:%a} {there.day} {there:%b %Y %H:%M %Z}"


def step(milestone: str) -> str:
    """A milestone in words."""
    return milestone.replace("-", " ")


def age(then: datetime | None, now: datetime) -> str:
    """How long ago, in minutes or hours."""
    if then is None:
        return "none yet"
    minutes = (now - then) / timedelta(minutes=1)
    if minutes < 1:
        return "just now"
    return spelled(minutes)


def ago(then: datetime, now: datetime) -> str:
    """How long ago, as a sentence says it."""
    said = age(then, now)
    return said if said == "just now" else f"{said} ago"


def count(number: float | None) -> str:
    """A whole number with thousands apart."""
    return UNKNOWN if number is None else f"{number:,.0f}"


def rough(number: float | None) -> str:
    """A stake to two figures: more would be pretence."""
    if number is None:
        return UNKNOWN
    return f"{float(f'{number:.2g}'):,.0f}" if abs(number) >= 1 else "0"


def voter_minutes(number: float | None) -> str:
    """A stake as a phrase; next to nothing is not told as a figure."""
    if number is not None and abs(number) < 1:
        return "no voter-minutes" if number == 0 else "less than one voter-minute"
    return f"about {rough(number)} voter-minutes"


def interval(low: float | None, high: float | None, say: str = "count") -> str:
    """A 5 % to 95 % interval in brackets, or that there is none."""
    if low is None or high is None:
        return "(interval unknown)"
    said = rough if say == "rough" else count
    return f"({said(low)}–{said(high)})"


def about(value: float | None, low: float | None, high: float | None, say: str = "count") -> str:
    """A figure with its interval."""
    if value is None:
        return UNKNOWN
    return f"{(rough if say == 'rough' else count)(value)} {interval(low, high, say)}"


def span(low: datetime | None, high: datetime | None, zone: str, beside: datetime) -> str:
    """Two times as a span."""
    if low is None or high is None:
        return UNKNOWN
    a, b = clock(low, zone, beside), clock(high, zone, beside)
    return a if a == b else f"{a}–{b}"


def percent(chance: float | None) -> str:
    """A chance in whole percent; never a false 0 or 100."""
    if chance is None:
        return UNKNOWN
    if 0 < chance < 0.01:
        return "under 1 %"
    if 0.99 < chance < 1:
        return "over 99 %"
    return f"{chance * 100:.0f} %"


def plural(number: int, one: str, many: str | None = None) -> str:
    """A count with its noun."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def plain(code: str) -> str:
    """A code of ours as words: hyphens as spaces."""
    return code.replace("-", " ")


def skills(listed: str | None) -> str:
    """A rover's skills, as the roster lists them."""
    named = (SKILLS.get(skill.strip(), plain(skill.strip())) for skill in (listed or "").split(";"))
    return ", ".join(filter(None, named)) or "none listed"


def parts(listed: str | None) -> str:
    """What a vehicle carries, as the roster lists it: `roller:2;battery:0` as `2 roller, no battery`."""
    found = []
    for entry in filter(None, (part.strip() for part in (listed or "").split(";"))):
        name, colon, number = entry.rpartition(":")
        if not colon or not number.strip().isdigit():
            found.append(entry if colon else plain(entry))
        else:
            found.append(f"{'no' if int(number) == 0 else int(number)} {plain(name)}")
    return ", ".join(found) or "nothing listed"


def capital(text: str) -> str:
    """The first letter large, the rest as it is."""
    return text[:1].upper() + text[1:]


def safe(text: object) -> str:
    """Text for a page, escaped; an unknown is said."""
    return UNKNOWN if text is None else escape(str(text))
