"""Which strptime patterns read a column of times, and whether its dates put the day or the month first; pure."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import polars as pl

from pipeline.sources.profile import EPOCHS

MANY_FORMS = 6  # patterns of one column; more is not a column of times
TRIED = 80  # distinct values that every pattern is tried on
FIRST_YEAR, LAST_YEAR = 2000, 2099  # a pattern that reads another year reads it wrongly
EPOCH_RANGE = (946_684_800, 4_102_444_800)  # 2000 to 2100 in seconds since 1970
# What is read without any pattern (contract section 3): RFC 3339, or local in the same form.
STANDARD = re.compile(
    r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d+)?)?([Zz]|[+-]\d\d:?\d\d)?|\d{4}-\d\d-\d\d \d\d:\d\d(:\d\d)?"
)
OFFSET = re.compile(r"([+-]\d\d:?\d\d|[Zz])$")
NUMERIC_DATE = re.compile(r"(?<!\d)(\d{1,2})([/.\-])(\d{1,2})\2(?:\d{4}|\d{2})(?!\d)")
TIME_OF_DAY = re.compile(r"\d{1,2}[:.h]\d\d([:.]\d\d)?( ?[AaPp]\.?[Mm]\.?| ?Uhr)?")
YMD, MDY, DMY, NAMED = "year first", "month first", "day first", "month by name"
DATES = (
    *((p, YMD) for p in ("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d")),
    *((f"%m{s}%d{s}{y}", MDY) for s in "/-." for y in ("%y", "%Y")),
    *((f"%d{s}%m{s}{y}", DMY) for s in ".-/" for y in ("%y", "%Y")),
    *((f"%d{s}%b{s}{y}", NAMED) for s in (" ", "-", "", "/", ".") for y in ("%y", "%Y")),
    *((p, NAMED) for p in ("%b %d, %Y", "%b %d %Y", "%b. %d, %Y", "%d. %b %Y", "%d. %B %Y", "%Y-%b-%d", "%b-%d-%Y")),
    *((p, NAMED) for p in ("%B %d, %Y", "%B %d %Y", "%d %B %Y", "%d %B, %Y", "%d-%B-%Y")),
)
CLOCKS = (
    "%H:%M:%S",
    "%H:%M",
    "%I:%M:%S %p",
    "%I:%M %p",
    "%I %p",
    "%H:%M:%S%.f",
    "%I:%M:%S%.f %p",
    "%H.%M",
    "%H.%M.%S",
    "%I.%M.%S %p",
    "%I.%M %p",
    "%H%M",
    "%H%M%S",
    "%Hh%M",
)
JOINT = re.compile(r"[^\dA-Za-z]{0,4}(?:(?:T|at|AT|um)[^\dA-Za-z]{0,2})?")
# No tail may swallow a "p.m." that %p does not read: 7:05 in the evening would become 7:05 in the morning.
TAIL = re.compile(r"(\s*)(?:([+-]\d\d:?\d\d)|(?!AM|PM)[A-Z]{2,5}|Z|Uhr|h|hrs?|Hrs?|)")
WEEKDAY = re.compile(r"((?:Mon|Tue|Wed|Thu|Fri|Sat|Sun)[a-z]*)[., ]{1,2}")
WHOLE = (("%a %b %d %H:%M:%S %Y", NAMED), ("%b %d %H:%M:%S %Y", NAMED))


@dataclass(frozen=True)
class TimeForms:
    """How a column's times are written. `patterns` is empty where none is needed; counts are of values [count]."""

    patterns: tuple[str, ...]
    read: int
    total: int
    order: str | None  # the order of day and month in numeric dates, None where there are none
    is_decided: bool  # whether the values tell that order
    is_local: bool  # whether a zone is needed
    is_utc: bool = False
    is_epoch: bool = False

    @property
    def share(self) -> float:
        """Part of the values that the patterns read."""
        return self.read / self.total if self.total else 0.0


@dataclass(frozen=True)
class DayOrder:
    """Whether the day or the month comes first in numeric dates, over all columns of a file."""

    order: str
    is_decided: bool
    why: str


def day_order(columns: Sequence[Sequence[str]], election_day: str | None = None) -> DayOrder:
    """The order of day and month: by a number above 12, else by the election day, else by the mark between.

    Parameters
    ----------
    columns : the distinct values of each column that holds dates
    election_day : YYYY-MM-DD, where known; a day's export is dated near it
    """
    found = [match for column in columns for value in column if (match := NUMERIC_DATE.search(value))]
    day_first = sum(int(m[1]) > 12 >= int(m[3]) for m in found)
    month_first = sum(int(m[3]) > 12 >= int(m[1]) for m in found)
    if day_first and not month_first:
        return DayOrder(DMY, True, f"day first, as in {day_first} dates with a day above 12")
    if month_first and not day_first:
        return DayOrder(MDY, True, f"month first, as in {month_first} dates with a day above 12")
    likelier = DMY if sum(m[2] == "." for m in found) * 2 > len(found) else MDY
    if day_first and month_first:
        order = DMY if day_first > month_first else MDY
        return DayOrder(order, False, "dates of both orders are in it; ask who exported it")
    if election_day and found:
        near = order_near(found, election_day)
        if near:
            return DayOrder(near, True, f"{near}, as that is the election day {election_day}")
    return DayOrder(likelier, False, f"day or month first? No date tells; {likelier} is likelier. Check one row")


def order_near(found: Sequence[re.Match[str]], election_day: str) -> str | None:
    """The order in which most dates fall on the election day, None where neither or both do."""
    _, month, day = (int(part) for part in election_day.split("-"))
    hits = {
        MDY: sum((int(m[1]), int(m[3])) == (month, day) for m in found),
        DMY: sum((int(m[3]), int(m[1])) == (month, day) for m in found),
    }
    best = max(hits, key=lambda order: hits[order])
    return best if hits[MDY] != hits[DMY] and hits[best] * 2 > len(found) else None


def looks_dated(values: Sequence[str]) -> bool:
    """Whether values may be dates with times: cheap, before every pattern is tried."""
    some = values[:TRIED]
    hits = sum(len(v) <= 45 and sum(c.isdigit() for c in v) >= 5 and not v.startswith(("+", "(")) for v in some)
    return bool(some) and hits >= 0.6 * len(some)


def time_forms(values: Sequence[str], counts: Sequence[int], days: DayOrder) -> TimeForms | None:
    """How distinct values are written as times, None where they are none.

    Parameters
    ----------
    values, counts : the distinct values and how often each occurs [count]
    days : the order of day and month in this file
    """
    total = sum(counts)
    if not looks_dated(values):
        return None
    epoch = epoch_form(values)
    if epoch:
        return TimeForms((epoch,), total, total, None, True, is_local=False, is_epoch=True)
    is_standard = [STANDARD.fullmatch(v) is not None for v in values]
    odd = [v for v, known in zip(values, is_standard, strict=True) if not known]
    patterns, orders, unread = cover(odd, days)
    read = total - sum(c for v, c in zip(values, counts, strict=True) if v in unread)
    if read * 2 < total:
        return None
    order = next((o for o in orders if o in (MDY, DMY)), None)
    local = [v for v in values if v not in unread and not OFFSET.search(v)]
    is_utc = bool(local) and all(re.search(r"(UTC|GMT)$", v) for v in local)
    zoned = [v for v in odd if re.search(r"[Zz]$", v)]  # read by a literal Z: local to the reader, UTC in truth
    if order and not days.is_decided:
        patterns = both_orders(patterns)
    return TimeForms(
        patterns, read, total, order, days.is_decided or order is None, bool(local or zoned), is_utc or bool(zoned)
    )


def in_order(values: pl.Series, forms: TimeForms) -> pl.Series:
    """The times of a column on one scale, null where unread, so that rows can be compared: in UTC, else as they stand.

    Times of the one kind say nothing of those of the other, whose zone is not known.
    """
    if forms.is_epoch:
        scale = 1e6 if forms.patterns == EPOCHS[:1] else 1e3
        return (values.cast(pl.Float64, strict=False) * scale).cast(pl.Datetime("us", "UTC"), strict=False)
    found = pl.Series(values.name, [None] * values.len(), dtype=pl.Datetime("us"))
    bare = values.str.replace("T", " ").str.replace(r"(\.\d+)?\s*([Zz]|[+-]\d\d:?\d\d)?$", "")
    late = pl.Series(values.name, [0] * values.len()) if forms.is_local else offsets(values)
    standard = ((bare, "%Y-%m-%d %H:%M:%S"), (bare, "%Y-%m-%d %H:%M"))
    for text, pattern in (*((values, p) for p in forms.patterns), *standard):
        read = text.str.to_datetime(pattern, time_unit="us", strict=False).dt.replace_time_zone(None)  # %z gives UTC
        found = found.zip_with(found.is_not_null(), read if text is values else read - late.cast(pl.Duration("us")))
    return found if forms.is_local else found.dt.replace_time_zone("UTC")


def offsets(values: pl.Series) -> pl.Series:
    """How far the times that end in an offset, "-06:00", stand from UTC [microseconds], nought where there is none."""
    told = values.str.extract(r"([+-]\d\d:?\d\d)$").str.replace(":", "").cast(pl.Int64, strict=False).fill_null(0)
    return told.sign() * (told.abs() // 100 * 60 + told.abs() % 100) * 60_000_000


def epoch_form(values: Sequence[str]) -> str | None:
    """Seconds or milliseconds since 1970, None where the values are neither."""
    try:
        numbers = [float(v) for v in values]
    except ValueError:
        return None
    for form, scale in zip(EPOCHS, (1, 1000), strict=True):
        if all(EPOCH_RANGE[0] * scale <= n <= EPOCH_RANGE[1] * scale for n in numbers):
            return form
    return None


def cover(values: Sequence[str], days: DayOrder) -> tuple[tuple[str, ...], list[str], set[str]]:
    """The fewest patterns, by greed, that read the values; their orders; what stays unread."""
    unread = set(values)
    chosen: list[tuple[str, str]] = []
    while unread and len(chosen) < MANY_FORMS:
        rest = sorted(unread)
        some = rest[:: max(1, len(rest) // TRIED)]
        tried = Counter(c for v in some for c in candidates(v) if c[1] not in (MDY, DMY) or c[1] == days.order)
        scored = [(sum(readable(some, pattern)), times, (pattern, order)) for (pattern, order), times in tried.items()]
        hits, _, best = max(scored, default=(0, 0, ("", "")), key=lambda s: (s[0], s[1], -len(s[2][0]), s[2]))
        if not hits:
            break
        chosen.append(best)
        unread -= {v for v, is_read in zip(rest, readable(rest, best[0]), strict=True) if is_read}
    # A two-digit year is tried before a four-digit one, which would read 26 as the year 26.
    chosen.sort(key=lambda c: "%y" not in c[0])
    return tuple(pattern for pattern, _ in chosen), [order for _, order in chosen], unread


def readable(values: Sequence[str], pattern: str) -> list[bool]:
    """Which values a pattern reads as a time of this century."""
    try:
        times = pl.Series(values, dtype=pl.String).str.to_datetime(pattern, time_unit="us", strict=False)
    except pl.exceptions.PolarsError:
        return [False] * len(values)
    return times.dt.year().is_between(FIRST_YEAR, LAST_YEAR).fill_null(False).to_list()


@cache
def shapes(patterns: tuple[str, ...]) -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Each pattern with the regular expression of what it may read."""
    return tuple((p, re.compile(shape_of(p))) for p in patterns)


def shape_of(pattern: str) -> str:
    """A strptime pattern as a regular expression; digits that stand side by side have their full number."""
    wide = {"Y": r"\d{4}", "y": r"\d\d", "b": "[A-Za-z]{3}", "B": "[A-Za-z]{3,9}", "p": "[AaPp][Mm]", "M": r"\d\d"}
    is_compact = re.search(r"%\w%\w", pattern) is not None
    out = ""
    for directive, mark in re.findall(r"%\.?(\w)|(.)", pattern):
        if directive == "f":
            out += r"\.\d+"
        elif directive:
            out += wide.get(directive, r"\d\d" if is_compact or directive == "S" else r"\d{1,2}")
        else:
            out += r"\s*" if mark == " " else re.escape(mark)
    return out


def candidates(value: str) -> set[tuple[str, str]]:
    """The patterns that have the shape of one value, each with its order of day and month."""
    lead = WEEKDAY.match(value)
    start = lead.end() if lead else 0
    before = ("%A" if lead and len(lead[1]) > 3 else "%a") + value[len(lead[1]) : start] if lead else ""
    found = set(WHOLE) if lead or value[:1].isalpha() else set()
    orders = dict(DATES)
    for date, date_shape in shapes(tuple(orders)):
        first = date_shape.match(value, start)
        if first:
            found |= {(before + date + rest, orders[date]) for rest in clock_after(value, first.end())}
    for clock, clock_shape in shapes(CLOCKS):
        early = clock_shape.match(value, start)
        joint = JOINT.match(value, early.end()) if early else None
        for date, date_shape in shapes(tuple(orders)) if joint else ():
            later = date_shape.match(value, joint.end()) if joint else None
            if joint and later and later.end() == len(value):
                found.add((before + clock + literal(joint[0]) + date, orders[date]))
    return found


def clock_after(value: str, start: int) -> list[str]:
    """The patterns of what follows a date: a mark, a clock, and perhaps an offset or the name of a zone."""
    joint = JOINT.match(value, start)
    if joint is None:
        return []
    out = []
    for clock, shape in shapes(CLOCKS):
        found = shape.match(value, joint.end())
        tail = TAIL.fullmatch(value, found.end()) if found else None
        if tail:
            after = tail[1] + "%z" if tail[2] else literal(tail[0])
            out.append(literal(joint[0]) + clock + after)
    return out


def literal(text: str) -> str:
    """Text as it stands in a pattern."""
    return text.replace("%", "%%")


def both_orders(patterns: tuple[str, ...]) -> tuple[str, ...]:
    """Each pattern, followed by the same with day and month exchanged."""
    out: list[str] = []
    for pattern in patterns:
        swapped = re.sub(r"%([dm])([/.\-])%([dm])\2", r"%\3\2%\1\2", pattern)
        out += [pattern, swapped] if swapped != pattern else [pattern]
    return tuple(dict.fromkeys(sorted(out, key=lambda p: "%y" not in p)))


def is_time_of_day(values: Sequence[str]) -> bool:
    """Whether values are times of day without a date."""
    return bool(values) and sum(TIME_OF_DAY.fullmatch(v) is not None for v in values) >= 0.9 * len(values)


def is_date(values: Sequence[str]) -> bool:
    """Whether values are dates without a time of day."""
    some = list(values[:TRIED])
    return bool(some) and any(sum(readable(some, date)) >= 0.9 * len(some) for date, _ in DATES)
