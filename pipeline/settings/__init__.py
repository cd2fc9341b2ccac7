"""Every assumption that a county may change: value, unit, meaning and source in one table.

A book's `settings.toml` overrides the defaults, `county.toml` overrides both. A name is `section.name`; the sections
are the modules that read them.
"""

import tomllib
from collections.abc import Iterable, Iterator, Mapping

from pipeline.errors import SettingsError
from pipeline.settings import (
    clocks,
    dispatch,
    lines,
    milestones,
    parts,
    power,
    reconciliation,
    repeats,
    supplies,
    tickets,
)
from pipeline.settings.assumption import Assumption

# One module a section, in the order in which settings.toml lists them.
SECTIONS = (clocks, lines, power, repeats, tickets, dispatch, parts, supplies, milestones, reconciliation)
ASSUMPTIONS: dict[str, Assumption] = {a.name: a for section in SECTIONS for a in section.ASSUMPTIONS}


class Settings(Mapping[str, float]):
    """The assumptions in force: `settings["clocks.correct_above_minutes"]`, a float in the assumption's unit."""

    def __init__(self, overrides: Mapping[str, float] | None = None) -> None:
        self._values = {name: a.default for name, a in ASSUMPTIONS.items()} | dict(overrides or {})

    def __getitem__(self, name: str) -> float:
        return self._values[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)


def flatten(table: Mapping[str, object], where: str) -> dict[str, float]:
    """The assumptions of a TOML table of sections, checked.

    Raises
    ------
    SettingsError : for a name that is no assumption, or a value that is no number or makes no sense.
    """
    found: dict[str, float] = {}
    for section, values in table.items():
        if not isinstance(values, Mapping):
            raise SettingsError(
                f"{where}, {section}: not a section of assumptions. Write it as [section] with name = value below."
            )
        for name, value in values.items():
            found[f"{section}.{name}"] = checked(f"{section}.{name}", value, where)
    return found


def checked(name: str, value: object, where: str) -> float:
    """One assumption's value, checked against what makes sense."""
    if name not in ASSUMPTIONS:
        raise SettingsError(
            f"{where}, {name}: no assumption has that name. `settings.toml` of a new book lists them all."
        )
    a = ASSUMPTIONS[name]
    if isinstance(value, bool) or not isinstance(value, int | float) or not a.low <= value <= a.high:
        raise SettingsError(
            f"{where}, {name}: {value!r} is not a number from {a.low:g} to {a.high:g} [{a.unit}]. Correct it."
        )
    return float(value)


def read_settings(text: str, where: str) -> dict[str, float]:
    """The overrides in the text of a settings.toml."""
    try:
        return flatten(tomllib.loads(text), where)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{where}: not readable as TOML ({error}). Correct that line.") from error


def settings_text(assumptions: Iterable[Assumption] | None = None) -> str:
    """A new book's settings.toml: every assumption as a comment with its unit, meaning and source, ready to change."""
    lines = ["# Assumptions that a county may change. Take the `#` off a value to change it.", ""]
    section = None
    for a in ASSUMPTIONS.values() if assumptions is None else assumptions:
        head, name = a.name.split(".", 1)
        if head != section:
            lines += [f"[{head}]"]
            section = head
        lines += [f"# {a.meaning} [{a.unit}]. Source: {a.source}", f"# {name} = {a.default:g}", ""]
    return "\n".join(lines)
