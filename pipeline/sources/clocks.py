"""A local time of day as people write it → HH:MM."""

import re

from pipeline.contracts.feeds import CLOCK

TWELVE = re.compile(r"(\d{1,2})(?::?(\d\d))?(?::00)?\s*([ap])\.?m?\.?", re.I)
COMPACT = re.compile(r"(\d{1,2}):?(\d\d)(?::\d\d)?(?:\s*h(?:rs?|ours)?\.?)?")


def clock_of(text: str) -> str | None:
    """A time of day as HH:MM (`7 AM`, `7:00 pm`, `0700`, `07:00:00`), None where it is none."""
    plain = text.strip()
    twelve = TWELVE.fullmatch(plain)
    if twelve:
        hour, minute = int(twelve[1]), twelve[2] or "00"
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if twelve[3].lower() == "p" else 0)
        clock = f"{hour:02d}:{minute}"
    else:
        compact = COMPACT.fullmatch(plain)
        if not compact:
            return None
        clock = f"{int(compact[1]):02d}:{compact[2]}"
    return clock if re.match(CLOCK, clock) else None
