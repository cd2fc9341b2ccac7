"""What a power note says: which place or circuit, what happened, when, what was promised and what the battery shows.

Notes are written as people write them: "7:42a Oak St - lights out since abt 7:30, on battery, util says 9:15". A clock
time without a day is the latest such time that is not later than the note's receipt.
"""

import re
from datetime import date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import polars as pl
from pandera.typing.polars import DataFrame
from rapidfuzz import process
from rapidfuzz.distance import OSA

from pipeline.contracts.events import PowerReadings
from pipeline.contracts.known import Known, empty
from pipeline.normalise import gazetteer, places, unit_roster, wording
from pipeline.normalise.clock_words import in_digits
from pipeline.normalise.power_words import EVENTS
from pipeline.normalise.word_lists import words_of

LEAD = timedelta(minutes=5)  # a note's time may lie this much after its receipt: clocks differ [min], our choice
AWAY = timedelta(
    hours=12
)  # the longest that a promise of a full clock time ("21:15", "9:15p") lies ahead [h], our choice
HALF_AWAY = timedelta(
    hours=8
)  # and one without a.m. or p.m.: beyond, its other half, already past, is meant [h], our choice
SITE_THRESHOLD = 0.6  # a note with a doubtful site still says that power is out there; below, only its circuit counts

EVENT_WORDS = words_of(
    "restored power outage battery generator flicker flickered lights dark mains circuit hiccup blinked electricity"
    " backup warning percent confirms reports utility custodian feeder discharging"
)
WHEN = re.compile(
    r"(?<![\w:.#/-])(?:(?P<h>[01]?\d"
    r"|2[0-4])[:.](?P<m>[0-5]\d)(?:[:.][0-5]\d)?\s*(?P<half>[ap]\.?(?:\s?m\b\.?)?(?![a-z])|h(?:rs?)?\b)?"
    r"|(?P<h4>[01]\d|2[0-3])(?P<m4>[0-5]\d)\s*(?P<half4>[ap]\.?m?\.?(?![a-z])|h(?:rs?|ours)?\b)?"
    r"|(?P<h1>1[0-2]|[1-9])\s*(?P<half1>[ap]\.?\s?m\b\.?|[ap](?![a-z.])))(?![\w%]|:\d)",
    re.I,
)
PROMISE = re.compile(
    r"\b(?:back\s+(?:on\s+)?by|back\s+(?:at|around|about|in(?=\s+(?:\d|an?\b|half)))|est(?:imated?|\.)?|etr|eta|restor(?:e|ed|ation)?\s+(?:by"
    r"|est\w*|at|around|expected|time)|expect(?:ed|s|ing)?"
    r"|(?:util(?:ity)?|power\s*co\w*|crew|company|they|pwr\s*co|electric\s*co\w*|provider)\s+(?:now\s+)?(?:says?|said|est\w*"
    r"|gives?|promises?|hopes?|thinks?|tells?\s+us)"
    r"|should\s+be\s+(?:back|on)|promised?|due\s+(?:back|by)?|until|till|til|by)\b\s*(?:back\s+)?(?:on\s+)?(?:by|at"
    r"|in|is|for|around|abt|about|approx\.?|~|:)?\s*[~:]?\s*",
    re.I,
)
AGO = re.compile(
    r"\b(?:(?:in\s+(?:the\s+)?)?(?:last|past)\s+|(?:for|about|abt|approx\.?|some|like|~"
    r"|already)\s+)*(?P<n>\d+(?:\.\d+)?|an?|half\s+an?|couple\s+(?:of\s+)?|few)\s*"
    r"(?P<unit>min(?:ute)?s?|m|h(?:ou)?rs?|h)\b\s*(?P<ago>ago|now|so far|already|back)?",
    re.I,
)
OUT_FOR = re.compile(  # "without power for an hour", but not "battery good for an hour"
    r"\b(?:out|off|dark|down|without\s+(?:any\s+)?\w+|no\s+(?:power|pwr|lights?|electricity|juice|current))\s+for\s+"
    r"(?:about\s+|abt\s+|around\s+|over\s+|nearly\s+|almost\s+|some\s+|the\s+(?:last|past)\s+)?"
    r"(?P<n>\d+(?:\.\d+)?|an?|half\s+an?|couple\s+(?:of\s+)?|few)\s*(?P<unit>min(?:ute)?s?|m|h(?:ou)?rs?|h)\b",
    re.I,
)
LAST = re.compile(r"\bin\s+(?:the\s+)?(?:last|past)\s+(?P<n>\d+)\s*(?P<unit>min(?:ute)?s?|m|h(?:ou)?rs?|h)?\b", re.I)
AHEAD = re.compile(
    r"(?:in|within|about|abt|another|~)?\s*(?P<n>\d+(?:\.\d+)?|an?|half\s+an?|the(?=\s+hour\b))\s*(?P<unit>min(?:ute)?s?"
    r"|h(?:ou)?rs?)\b(?!\s*ago)",
    re.I,
)
CIRCUIT = re.compile(
    r"\b(?:circuit|circ|crct|circut|circiut|circuts?|cct|ckt|cirt|feeder|fdr|feed|line)\s*(?:no\.?|number|#"
    r"|:)?\s*(?P<name>[a-z]{0,3}-?\d{1,4}[a-z]?)\b|[\[(](?P<bare>[a-z]{1,2}-?\d{1,3})[\])]",
    re.I,
)
PERCENT = re.compile(
    r"(?P<n>\d{1,3})\s*(?:%|percent|per\s?cent|pct(?!\W*\d)\b|prcnt)(?P<left>\s+left)?|\bbatt\w*\s*(?:is\s+|at\s+"
    r"|now\s+|says?\s+|shows?\s+|reads?\s+|level\s+|down\s+to\s+|low\s+|abt\s+|about\s+)*(?P<b>\d{1,3})(?![\d:.]\d"
    r"|\s*(?:min|h))\b"
    r"|\b(?:low|battery)\s+says?\s+(?P<c>\d{1,3})\b|\bdown\s+to\s+(?P<d>\d{1,3})\b(?!:)",
    re.I,
)
STILL_OUT = re.compile(
    r"\b(?:not|no(?!\s+longer)|isn'?t|still\s+(?:not|no)|never|aint|hasn'?t)\s+(?:\w+\s+)?(?:back|restored|on|up|fixed)\b|\bstill\s+(?:out|off|dark|no|down|without|on\s+batt\w*)",
    re.I,
)
NOT_SITE = re.compile(
    r"\b(?:util(?:ity)?\s+(?:confirms?|reports?|reprts|rpts?|closed|says|has)(?:\s+(?:outage|ticket|tiket))?"
    r"|(?:power|pwr)\s*co\w*(?:\s+says?)?|rover|custodian|judge|chief|clerk|crew|maint\w*|per|says|confirms?"
    r"|takes\s+in|includes?|hits"
    r"|lost|lst|loss|power|powre|pwr|lights?|out(?:age)?|dark|off|back|restored?\w*|ac|mains|batt\w*|scanner"
    r"|machines?|everything|still|told|keep(?:ing)?|scanning|running|backup|low|warning|beeping|generator|genset"
    r"|gen\b|going|got"
    r"|need\w*|ok(?:ay)?|again|now|since|about|abt|ago|min\w*|hours?|hrs?|just|last|all|plugs?|live|half|bldg"
    r"|building|the\s+whole|no|has|have|is|are|was|few|sec\w*|only|fine|once|flick\w*|blink\w*|quick|hiccup|blip"
    r"|rode|rde|thru|through"
    r"|est|etr|eta|by|says?|left|percent|waiting|util\w*|line|here|confirmed|note|fyi|update)\b",
    re.I,
)


def read_notes(known: Known) -> DataFrame[PowerReadings]:
    """What every power note known by T says, one row each. Tickets are not read here."""
    if known.power_notes.is_empty():
        return empty(PowerReadings)  # type: ignore[return-value]
    atlas, stock = gazetteer.gazetteer(known.sites), unit_roster.unit_book(known.units)
    circuits = sorted({c for c in [*known.sites["circuit"].to_list(), *known.outages["circuit"].to_list()] if c})
    zone = ZoneInfo(known.county.zone)
    rows = []
    for note in known.power_notes.sort("received_at", "text").select("received_at", "text").to_dicts():
        text, received = spelled_right(note["text"] or ""), note["received_at"]
        at, promised = read_times(text, received, zone)
        site, sure = site_of_note(atlas, stock, text)
        rows.append(
            {
                "occurred_at": at,
                "received_at": received,
                "site_id": site if sure >= SITE_THRESHOLD else None,
                "circuit": circuit_of(text, tuple(circuits)),
                "event": event_of(text),
                "restoration_at": promised,
                "battery_percent": battery_of(text),
                "text": note["text"] or "",
            }
        )
    frame = pl.DataFrame(rows, schema=dict(empty(PowerReadings).schema))
    return PowerReadings.validate(frame)


@lru_cache(maxsize=5000)
def spelled_right(text: str) -> str:
    """A note with slips in the words of events put right, and a time taken off the word that it was glued to."""
    text = re.sub(r"(?<=[a-z]{4})(?=\d{1,2}[:.]\d\d)", " ", text, flags=re.I)
    return re.sub(r"[A-Za-z]{5,}", lambda m: nearest_word(m.group(0)), text)


@lru_cache(maxsize=20_000)
def nearest_word(word: str) -> str:
    """The event word that a word is one slip away from, or the word itself."""
    low = word.lower()
    if low in wording.vocabulary().stems or wording.stem(low) in wording.vocabulary().stems:
        return word
    near = process.extractOne(low, EVENT_WORDS, scorer=OSA.distance, score_cutoff=1 if len(low) < 8 else 2)
    return near[0] if near else word


@lru_cache(maxsize=5000)
def event_of(text: str) -> str:
    """What a note reports: lost, restored, flicker, generator, battery-low or other."""
    words = text.replace("\u2019", "'")
    still = bool(STILL_OUT.search(words))
    for event, form in EVENTS:
        if event == "restored" and still:
            continue
        if form.search(PROMISE_CUT.sub(" ", words)):
            return event
    return "lost" if still else "other"


def battery_of(text: str) -> float | None:
    """The battery's charge as said [%]; null where the note says none or an impossible one."""
    for found in PERCENT.finditer(text):
        value = float(next(g for g in (found.group("n"), found.group("b"), found.group("c"), found.group("d")) if g))
        if 0 <= value <= 100:
            return value
    return None


def circuit_of(text: str, circuits: tuple[str, ...]) -> str | None:
    """The circuit that a note names, in the spelling of the roster or the utility's list where it is known there."""
    same_name = {re.sub(r"[^a-z0-9]", "", c.lower()): c for c in circuits}
    for found in CIRCUIT.finditer(text):
        name = re.sub(r"[^a-z0-9]", "", (found.group("name") or found.group("bare")).lower())
        bare = re.sub(r"(?<=[a-z])0+(?=\d)", "", name)
        for key, circuit in same_name.items():
            if (
                name == key
                or bare == re.sub(r"(?<=[a-z])0+(?=\d)", "", key)
                or key.lstrip("abcdefghijklmnopqrstuvwxyz").lstrip("0") == name.lstrip("0")
            ):
                return circuit
        if found.group("name"):
            return name.upper()
    words = set(re.findall(r"[a-z0-9-]+", text.lower()))
    return next((c for c in circuits if c.lower() in words and not c.isdigit()), None)


def site_of_note(atlas: gazetteer.Gazetteer, stock: unit_roster.UnitBook, text: str) -> tuple[str | None, float]:
    """The site that a note speaks of: the surest of the whole note and its parts, without its clock and event words."""
    bare = PERCENT.sub(" ", CIRCUIT.sub(" ", text))
    bare = PROMISE_CUT.sub(" ", bare)
    bare = WHEN.sub(lambda m: m.group(0) if is_house_number(m) else " ", bare)
    bare = AGO.sub(lambda m: m.group(0) if not m.group("unit") else " ", bare)
    parts = [p for p in re.split(r"\s-+\s|[;:,@\[\]()]|--", bare) if p.strip()]
    tries = [NOT_SITE.sub(" ", p) for p in [bare, *parts]]
    answers = [places.site_of(atlas, " ".join(t.split()), ()) for t in tries if t.strip()]
    return max(answers, key=lambda a: a[1], default=(None, 0.0))


def is_house_number(found: re.Match[str]) -> bool:
    """Whether four digits belong to a street: "1338 Copper Terrace" is no time of day."""
    if not found.group("h4"):
        return False
    after = found.string[found.end() :]
    return bool(
        re.match(
            r"\s+(?:[nsew]{1,2}\.?\s+|north|south|east|west)?\s*(?:[a-z]+|\d+(?:st|nd|rd|th))\s+(?:st|street|ave?"
            r"|avenue|road|rd|dr|drive|lane|ln|ct|court|blvd|boulevard|pike|pk|way|ter|terrace|place|pl)\b",
            after,
            re.I,
        )
    )


def read_times(text: str, received: datetime, zone: ZoneInfo) -> tuple[datetime, datetime | None]:
    """When it happened and when power was promised back; without a time in the note, it happened at its receipt."""
    text = in_digits(text)
    promise, rest, asked = None, text, None
    for found in PROMISE.finditer(text):
        when = WHEN.match(text, found.end())
        ahead = AHEAD.match(text, found.end())
        if ahead:
            promise, asked = received, minutes_of(ahead)
            rest = text[: found.start()] + " " + text[ahead.end() :]
        elif when and not is_house_number(when):
            promise = clock_after(when, received, zone)
            rest = text[: found.start()] + " " + text[when.end() :]
        if promise:
            break
    at = time_of_event(rest, received, zone)
    if asked is not None:  # "back in 2 hrs" counts from when it was said
        promise = noted_at(rest, received, zone) + asked
    return at, promise if promise is None or promise > at else None


def time_of_event(text: str, received: datetime, zone: ZoneInfo) -> datetime:
    """When the event happened: a time after "since", else the note's own clock time less any "10 min ago"."""
    clocks = [m for m in WHEN.finditer(text) if not is_house_number(m) and not CIRCUIT.search(m.group(0))]
    since = next(
        (
            m
            for m in clocks
            if re.search(r"\b(?:since|from|started|as of)\W*(?:about|abt|around|~)?\s*$", text[: m.start()], re.I)
        ),
        None,
    )
    noted = next((m for m in clocks if m is not since), None)
    base = clock_before(noted, received, zone) if noted else received
    if since:
        return clock_before(since, base, zone)
    last = LAST.search(text)
    if last:
        # "in the last 15": somewhere in that quarter of an hour, so its middle is the best single guess.
        return base - timedelta(
            minutes=float(last.group("n")) * (60 if (last.group("unit") or "m").lower().startswith("h") else 1) / 2
        )
    ago = next(
        (
            m
            for m in AGO.finditer(text)
            if m.group("ago") and m.group("ago").lower() in ("ago", "back", "now", "so far", "already")
        ),
        OUT_FOR.search(text),
    )
    return base - minutes_of(ago) if ago else base


def noted_at(text: str, received: datetime, zone: ZoneInfo) -> datetime:
    """The note's own clock time, else its receipt."""
    first = next((m for m in WHEN.finditer(text) if not is_house_number(m)), None)
    return clock_before(first, received, zone) if first else received


def minutes_of(found: re.Match[str]) -> timedelta:
    """A spoken span: "10 min", "an hour", "2.4 hrs", "half an hour"."""
    word, unit = found.group("n").lower(), (found.group("unit") or "m").lower()
    number = (
        0.5
        if word.startswith("half")
        else 2.0
        if word.startswith("couple")
        else 3.0
        if word == "few"
        else 1.0
        if word in ("a", "an", "the")
        else float(word)
    )
    return timedelta(minutes=min(number * (60 if unit.startswith("h") else 1), 24 * 60))


def hours_meant(found: re.Match[str]) -> tuple[int, int, tuple[int, ...]]:
    """Hour and minute as written, and the hours of the day that they can mean."""
    hour = int(found.group("h") or found.group("h4") or found.group("h1"))
    minute = int(found.group("m") or found.group("m4") or 0)
    half = (found.group("half") or found.group("half4") or found.group("half1") or "").lower()
    if half.startswith("a"):
        return hour, minute, (hour % 12,)
    if half.startswith("p"):
        return hour, minute, (hour % 12 + 12,)
    # "06:15", "0615" and "14:10" are read on a 24-hour clock; "2:10" may be either half of the day.
    if half.startswith("h") or hour > 12 or hour == 0 or (found.group("h4") or found.group("h") or "").startswith("0"):
        return hour, minute, (hour % 24,)
    return hour, minute, tuple(sorted({hour % 12, hour % 12 + 12}))


def moments(found: re.Match[str], near: datetime, zone: ZoneInfo) -> list[datetime]:
    """The moments around a day that a written clock time can mean, in order, UTC."""
    _, minute, hours = hours_meant(found)
    day = near.astimezone(zone).date()
    return sorted(at_local(day + timedelta(days=d), h, minute, zone) for d in (-1, 0, 1) for h in hours)


def at_local(day: date, hour: int, minute: int, zone: ZoneInfo) -> datetime:
    """A local time of day as UTC."""
    return datetime(day.year, day.month, day.day, hour, minute, tzinfo=zone).astimezone(ZoneInfo("UTC"))


def clock_before(found: re.Match[str], received: datetime, zone: ZoneInfo) -> datetime:
    """The latest moment that a written time can mean, not later than the receipt (and a little)."""
    return max((t for t in moments(found, received, zone) if t <= received + LEAD), default=received)


def clock_after(found: re.Match[str], received: datetime, zone: ZoneInfo) -> datetime | None:
    """The moment that a promised time means: the next one, or one that had passed when the note was received.

    "Back by 11:04", received at 12:31, is this morning's promise, broken; not one for tonight.
    """
    _, _, hours = hours_meant(found)
    away = AWAY if len(hours) == 1 else HALF_AWAY
    meant = [t for t in moments(found, received, zone) if received - (AWAY - HALF_AWAY) <= t <= received + away]
    return min(meant, default=None)


PROMISE_CUT = re.compile(
    rf"(?:{PROMISE.pattern})(?:{WHEN.pattern.replace('?P<', '?P<q_')}|{AHEAD.pattern.replace('?P<', '?P<q2_')})", re.I
)
