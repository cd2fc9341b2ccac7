"""The one unit that digits name: the last of its id or of a tag, at the site first, then a slip away, then anywhere."""

import re

from rapidfuzz.distance import OSA

from pipeline.normalise.unit_roster import TAIL_DIGITS, Unit, UnitBook


def unit_by_digits(
    book: UnitBook, here: list[Unit], digits: str, wanted: tuple[str, ...], how: str, letters: str = ""
) -> Unit | None:
    """The one unit whose id or serial ends in the digits: at the site first, then one slip away, then anywhere."""
    if len(digits) < 2:
        return None
    size = TAIL_DIGITS + (how == "bare")  # three digits by themselves count people or ballots more often than serials
    # What the county calls it, and a whole tag, before the end of a serial.
    near = [u for u in here if digits.lstrip("0") in u.marks]
    near = near or [u for u in here if len(digits) >= TAIL_DIGITS and digits.lstrip("0") in u.bare]
    near = near or [u for u in here if digits.lstrip("0") in u.parts and len(digits.lstrip("0")) > 1]
    near = near or [
        u
        for u in here
        if u.digits.endswith(digits) or (len(digits) >= size and any(n.endswith(digits) for n in u.serials))
    ]
    if len(near) > 1 and wanted:
        near = [u for u in near if u.type in wanted] or near
    if len(near) == 1 and (len(digits) >= TAIL_DIGITS or not wanted or near[0].type in wanted):
        return near[0]
    if near or len(digits) < TAIL_DIGITS or how == "bare":
        return None
    slip = one_slip_away(here, digits, wanted)
    if slip or (here and (how == "text" or len(digits) < 5)):
        return slip
    far = book.by_tail.get(digits, [])
    return far[0] if len(far) == 1 and same_letters(far, letters) == far else None


def one_slip_away(here: list[Unit], digits: str, wanted: tuple[str, ...]) -> Unit | None:
    """The one unit at the site whose last digits differ by one slip; two swapped are likelier than one wrong."""
    if len(digits) < 4:
        return None
    close = [u for u in here if slips(u, digits) <= 1]
    for choice in (
        [u for u in close if is_swapped(u, digits)],
        [u for u in close if u.type in wanted],
        close,
    ):
        if len(choice) == 1:
            return choice[0]
    return None


def slips(unit: Unit, digits: str) -> int:
    """Slips of the keys between digits said and the last of a unit's id or tags."""
    numbers = [n for n in (unit.digits, *unit.serials) if n]
    return min((min(OSA.distance(n[-len(digits) :], digits), OSA.distance(n, digits)) for n in numbers), default=99)


def is_swapped(unit: Unit, digits: str) -> bool:
    """Whether the digits said are the last of a unit's id or tags, in another order."""
    return any(sorted(n[-len(digits) :]) == sorted(digits) for n in (unit.digits, *unit.serials) if n)


def letters_of(tag: str) -> str:
    """The letters that a tag begins with, lower case."""
    return re.sub(r"[^a-z]", "", tag.lower())


def same_letters(units: list[Unit], letters: str) -> list[Unit]:
    """Units whose tag begins with the letters; all of them where none does ("SN 08498")."""
    return [u for u in units if letters and u.tag.rstrip("0123456789") == letters] or units
