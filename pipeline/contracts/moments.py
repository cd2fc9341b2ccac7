"""How one moment is written: RFC 3339 with an offset, or a local time of day of election day; how long ago it was."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import polars as pl

IN_HOURS, IN_DAYS = 2 * 60, 48 * 60  # from which a length is told so [min]; our choice


def local_time(day: date, clock: str, zone: str, *, after: datetime | None = None) -> datetime:
    """A local time of day on a date, as UTC; on the next date if it would not be later than `after`."""
    hour, minute = clock.split(":")
    moment = datetime.combine(day, time(int(hour), int(minute)), ZoneInfo(zone)).astimezone(UTC)
    if after is not None and moment <= after:
        moment = datetime.combine(day + timedelta(days=1), time(int(hour), int(minute)), ZoneInfo(zone)).astimezone(UTC)
    return moment


def parse_time(text: str, zone: str | None = None) -> datetime:
    """One RFC 3339 or local time as UTC.

    Raises
    ------
    ValueError : if it is no time, or local without a zone.
    """
    moment = datetime.fromisoformat(text.strip())
    if moment.tzinfo is None:
        if zone is None:
            raise ValueError(f"{text!r} has no offset and no zone is known")
        moment = moment.replace(tzinfo=ZoneInfo(zone))
    return moment.astimezone(UTC)


def rfc3339(moment: datetime, zone: str | None = None) -> str:
    """A moment as RFC 3339 text, in UTC with `Z` or in a zone with its offset."""
    if zone is None:
        text = moment.astimezone(UTC).isoformat(timespec="microseconds" if moment.microsecond else "seconds")
        return text.replace("+00:00", "Z")
    return moment.astimezone(ZoneInfo(zone)).isoformat(timespec="seconds")


def spelled(minutes: float) -> str:
    """A length of time as people say it: minutes, from two hours on hours, from two days on days."""
    if minutes < IN_HOURS:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.0f} h" if minutes < IN_DAYS else f"{minutes / 60 / 24:.0f} days"


def spelled_out(minutes: pl.Expr) -> pl.Expr:
    """As `spelled`, for a column [min]."""
    said = [(minutes / each).round(0, mode="half_to_even").cast(pl.Int64) for each in (1, 60, 24 * 60)]
    return (
        pl.when(minutes < IN_HOURS)
        .then(pl.format("{} min", said[0]))
        .when(minutes < IN_DAYS)
        .then(pl.format("{} h", said[1]))
        .otherwise(pl.format("{} days", said[2]))
    )
