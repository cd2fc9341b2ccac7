"""Which skill mends which trouble, and who has it."""

from collections.abc import Iterable, Mapping
from typing import Any

# Which skill a trouble asks for; a category that is not here is settled without a rover. Our choice.
SKILLS = {
    "scanner-down": "scanner",
    "scanner-jam": "scanner",
    "memory-card": "scanner",
    "tape-printer": "scanner",
    "bin-full": "scanner",
    "bmd": "bmd",
    "accessible-device": "bmd",
    "poll-book": "poll-book",
    "power": "power",
    "ballot-stock": "supplies",
}


def skills_of(text: str | None) -> frozenset[str]:
    """A rover's skills; none listed means that nobody has said, and the rover counts as able to look at anything."""
    return frozenset(word.strip() for word in (text or "").split(";") if word.strip())


def can(skills: frozenset[str], wanted: Iterable[str | None]) -> bool:
    """Whether a rover with `skills` can mend a trouble that asks for `wanted`."""
    return not skills or {word for word in wanted if word} <= skills


def for_a_rover(ticket: Mapping[str, Any]) -> str | None:
    """The first of a ticket's categories that a rover could be sent for."""
    return next((c for c in [ticket["category"], *(ticket["categories"] or [])] if c in SKILLS), None)
