"""A county's own words: a vocabulary.toml in the book, in the form of the shipped one, whose words are added to it."""

import re
import tomllib
from collections.abc import Mapping
from typing import Any

from pipeline.contracts.words import TICKET_CATEGORIES
from pipeline.errors import SettingsError

# What a county may add to, and the names that a section's entries may have: None for any.
SECTIONS: dict[str, tuple[str, ...] | None] = {
    "classes": None,
    "things": None,
    "signs": None,
    "rules": TICKET_CATEGORIES,
    "cues": TICKET_CATEGORIES,
    "hints": TICKET_CATEGORIES,
    "examples": TICKET_CATEGORIES,
    "noise": ("phrases",),
    "news": ("tells", "ends"),
    "ordinary": ("words",),
    "spelled": None,
}
WEIGHTED = ("cues", "hints")  # sections whose lines stand below a weight


def table(text: str, where: str) -> dict[str, Any]:
    """The tables of a county's vocabulary, checked.

    Raises
    ------
    SettingsError : for what is not TOML, or is nothing that the shipped vocabulary has.
    """
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{where}: not readable as TOML ({error}). Correct that line.") from error
    for section, entries in found.items():
        if section not in SECTIONS or not isinstance(entries, Mapping):
            raise SettingsError(f"{where}, {section}: no such section. Use one of {', '.join(SECTIONS)}.")
        for name, lines in entries.items():
            check(section, name, lines, where)
    return found


def check(section: str, name: str, lines: object, where: str) -> None:
    """One entry of a section: a name that the section knows, and text below it."""
    names = SECTIONS[section]
    if names is not None and name not in names:
        raise SettingsError(f"{where}, {section}.{name}: not known. Use one of {', '.join(names)}.")
    if section in WEIGHTED:
        weights = lines.items() if isinstance(lines, Mapping) else ()
        is_good = bool(weights) and all(w.isdigit() and 0 < int(w) < 10 and isinstance(t, str) for w, t in weights)
        if not is_good:
            raise SettingsError(f'{where}, {section}.{name}: write a weight from 1 to 9, then its lines: 6 = """…""".')
    elif not isinstance(lines, str):
        raise SettingsError(f'{where}, {section}.{name}: not text. Write one phrase a line between """ and """.')
    elif section == "rules" and not all(is_rule(line) for line in lines.splitlines() if line.strip()):
        raise SettingsError(f"{where}, {section}.{name}: write each line as thing + sign = weight.")
    elif section == "news" and not all(map(is_expression, lines.splitlines())):
        raise SettingsError(f"{where}, {section}.{name}: a line is no regular expression. Write plain words.")


def is_rule(line: str) -> bool:
    """Whether a line is "thing + sign = weight"."""
    pair, _, weight = line.partition("=")
    return len(pair.split("+")) == 2 and weight.strip().replace(".", "", 1).isdigit()


def is_expression(line: str) -> bool:
    """Whether a line can stand as a regular expression."""
    try:
        re.compile(line)
    except re.error:
        return False
    return True


def added(shipped: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """The shipped tables with the lines of a county's after them."""
    out = dict(shipped)
    for name, value in own.items():
        if isinstance(value, Mapping):
            out[name] = added(shipped.get(name, {}), value)
        else:
            out[name] = f"{shipped[name]}\n{value}" if name in shipped else value
    return out
