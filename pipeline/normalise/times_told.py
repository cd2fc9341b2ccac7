"""Past times that a caller names, "since 7", "as we said at six", "over two hours ago": of the ticket of that time.

A time without a day is of the ticket's own day; without a.m. or p.m. it is the latest that is past. Common practice, no
source.
"""

import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from pipeline.normalise.clock_words import HOURS, in_digits

DAY_BEGINS = 5  # hour before which no ticket of the day was opened: our choice
OWN = timedelta(minutes=10)  # a time so near is that of the call itself: our choice
EARLY, LATE = timedelta(minutes=10), timedelta(minutes=20)  # what is told at 6:10 is called in by 6:30: our choice
ROUNDED = timedelta(minutes=15)  # and as much more to both sides where the time is a whole or a half hour
OF_IT = 0.25  # share of a time ago by which it is rounded: our choice
AT = (
    r"(?:since|at|from|around|about|abt|after|past|same\s+as|call(?:ed)?|of)"
    r"\s+(?:about\s+|abt\s+|around\s+|like\s+|the\s+)?"
)
HALF = r"(?:\s*([ap])\.?\s?m\b)?"
NO_COUNT = (
    r"(?![\w%$/-]|[:.,]\d|\s+(?:of|people|ppl|voters?|ballots?|min\w*|h(?:ou)?rs?|percent|pct|in\s+line|times|books?|bks?|tablets?"
    r"|scanners?|packs?|sheets?|tables?|booths?|machines?|judges?|jdgs?|deep|left|more|or|feet|ft|votes?|names?)\b)"
)
CLOCK = re.compile(
    rf"(?<![\w:.#/$-])(1?\d|2[0-3])[:.]([0-5]\d)(?::[0-5]\d)?{HALF}(?![\w:%])"
    rf"|\b{AT}([01]?\d|2[0-3])\s?([0-5]\d){HALF}{NO_COUNT}|\b{AT}(1[0-2]|[1-9]|{'|'.join(HOURS)})(){HALF}{NO_COUNT}",
    re.I,
)
# What a sentence says of a time that is not when the trouble began, or of a trouble that ended: "cleared by 7:30"
SETTLED = re.compile(
    r"\b(?:fixed|cleared|clrd|freed|solved|resolved|repaired|replaced|swapped|restarted|dissolved|ok|fine|good|perfect|clean|restored"
    r"|until\s+now|(?:was|were|came)\s+(?:out|back|on|up)|put\s+in|pulled\s+out)\b",
    re.I,
)
SENTENCE = re.compile(r"[.;!?\n]+(?!\d)\s*")
COUNTS = {"a": 1.0, "an": 1.0, "half an": 0.5, "couple of": 2.0, "couple": 2.0} | {
    w: float(n) for w, n in HOURS.items()
}
AGO = re.compile(
    rf"\b(?P<n>\d{{1,3}}|half\s+an|couple(?:\s+of)?|an?|{'|'.join(HOURS)})\s*(?P<unit>min(?:ute)?s?|h(?:ou)?rs?)\s+(?:ago|already)\b"
    rf"|\b(?:for|been)\s+(?:over\s+|about\s+|abt\s+|almost\s+|nearly\s+|more\s+than\s+)?(?P<n2>\d{{1,3}}|half\s+an|an?|{'|'.join(HOURS)})"
    r"\s*(?P<unit2>min(?:ute)?s?|h(?:ou)?rs?)\b",
    re.I,
)


class Told(NamedTuple):
    """From when to when a ticket was opened that a time told may be of."""

    start: datetime
    end: datetime


def times_told(text: str, opened: datetime, zone: ZoneInfo) -> tuple[Told, ...]:
    """The past times that a text names.

    Parameters
    ----------
    opened : when the ticket was opened
    """
    found = []
    text = in_digits(text)
    if not CLOCK.search(text) and not AGO.search(text):
        return ()
    text = " . ".join(part for part in SENTENCE.split(text) if not SETTLED.search(part))
    for m in CLOCK.finditer(text):
        hour, minute, half = next(m.groups()[i : i + 3] for i in (0, 3, 6) if m.group(i + 1))
        at = latest(HOURS.get(hour.lower()) or int(hour), int(minute or 0), half, opened, zone)
        if at and at <= opened - OWN:
            more = ROUNDED if at.minute % 30 == 0 else timedelta()
            found.append(Told(at - EARLY - more, at + LATE + more))
    for m in AGO.finditer(text):
        number, unit = (m.group("n") or m.group("n2")).lower(), (m.group("unit") or m.group("unit2")).lower()
        count = COUNTS.get(" ".join(number.split())) or float(number)
        ago = timedelta(minutes=count * (60 if unit.startswith("h") else 1))
        if ago > OWN:
            found.append(Told(opened - ago * (1 + OF_IT) - EARLY, opened - ago * (1 - OF_IT) + EARLY))
    return tuple(found)


def latest(hour: int, minute: int, half: str | None, opened: datetime, zone: ZoneInfo) -> datetime | None:
    """The latest past time of the day that a clock shows so; null where there is none."""
    local = opened.astimezone(zone)
    hours = [hour % 12 + (12 if half.lower() == "p" else 0)] if half else [hour % 24, hour + 12]
    times = [local.replace(hour=h, minute=minute, second=0, microsecond=0) for h in hours if DAY_BEGINS <= h < 24]
    return max((at.astimezone(opened.tzinfo) for at in times if at <= local), default=None)


def is_told(told: Sequence[Told], opened: datetime) -> bool:
    """Whether one of the times told may be that of a ticket opened then."""
    return any(start <= opened <= end for start, end in told)
