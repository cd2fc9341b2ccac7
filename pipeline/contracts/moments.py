"""How one moment is written: RFC 3339 with an offset, or a local time of day of the election day."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo


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
