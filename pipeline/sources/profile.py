"""A county's own export, described in TOML: its columns, times and words → ours."""

import math
import tomllib
from collections.abc import Container, Iterable
from dataclasses import dataclass, field
from fnmatch import fnmatch
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.contracts.feeds import FEEDS
from pipeline.errors import MissingFile, ProfileError
from pipeline.sources import form_of

PARTS = {
    "kind",
    "files",
    "format",
    "delimiter",
    "encoding",
    "zone",
    "columns",
    "times",
    "values",
    "lists",
    "scale",
    "unlisted",
    "constants",
}
WAITS, BY_SENSE = "waits", "by-sense"  # in quarantine, or read by the sense of its words where that is clear
AS_WRITTEN = "as-written"  # in place of what numbers are multiplied with: each value says its own unit
EPOCHS = ("epoch-seconds", "epoch-milliseconds")
JOINED = " + "  # between the names of columns that are one together, as `Date + Time`


@dataclass(frozen=True)
class Profile:
    """How one kind of file is read. `columns` is ours → theirs, `values` column → theirs (case folded) → ours.

    `files` are patterns of the names of the files that it reads; none: those that are named like its kind. `lists` is
    column → the mark between the values of a cell, `scale` column → what its numbers are multiplied with, or
    that each says its own unit; `unlisted` says what becomes of a word that `values` does not list.
    """

    kind: str
    format: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    zone: str | None = None
    columns: dict[str, tuple[str, ...]] = field(default_factory=dict)
    times: dict[str, tuple[str, ...]] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    files: tuple[str, ...] = ()
    lists: dict[str, str] = field(default_factory=dict)
    scale: dict[str, float | str] = field(default_factory=dict)
    unlisted: str = WAITS

    def reads(self, name: str) -> bool:
        """Whether a file's name is one of those that this profile says it reads."""
        return any(fnmatch(name.casefold(), pattern.casefold()) for pattern in self.files)


def joined(texts: pl.DataFrame, names: Iterable[str], whole: Container[str] = ()) -> pl.DataFrame:
    """Texts with the columns that a profile puts together, in place of their parts; a blank stands between the values.

    Parameters
    ----------
    texts : text columns as they came
    names : theirs, of which those that hold ` + ` and are no column themselves name several
    whole : those of the names that are null where a part is missing: a date alone is no optional time
    """
    by_name = {plain(name): name for name in reversed(texts.columns)}
    parts = {
        name: [by_name[plain(part)] for part in name.split(JOINED)]
        for name in names
        if JOINED in name and plain(name) not in by_name and all(plain(part) in by_name for part in name.split(JOINED))
    }
    together = [
        pl.concat_str(
            pl.col(own).str.strip_chars().replace("", None), separator=" ", ignore_nulls=name not in whole
        ).alias(name)
        for name, own in parts.items()
    ]
    return texts.with_columns(together).drop(set().union(*parts.values()))


def plain(name: str) -> str:
    """A column's name without case, blanks and hyphens."""
    return name.strip().casefold().replace(" ", "_").replace("-", "_")


def form_with(profile: Profile | None, name: str, kind: str) -> str:
    """How a file is read: as its profile says, else as `form_of` tells."""
    return (profile.format if profile else None) or form_of(name, kind)


def read_profile(path: Path) -> Profile:
    """The profile in a TOML file.

    Raises
    ------
    MissingFile : if it is not there.
    ProfileError : if it is not TOML, or names what does not exist.
    """
    try:
        table = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError as error:
        raise MissingFile(f"{path}: no such profile. Check the path.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
        raise ProfileError(f"{path}: not readable as TOML ({error}). Correct that line.") from error
    return profile_of(table, str(path))


def profile_of(table: dict[str, Any], where: str) -> Profile:
    """A profile from its TOML table, checked."""
    unknown = set(table) - PARTS
    if unknown:
        raise ProfileError(f"{where}: {', '.join(sorted(unknown))} means nothing here. Use {', '.join(sorted(PARTS))}.")
    kind = table.get("kind")
    if kind is None:
        raise ProfileError(
            f"{where}: it does not say which kind of feed it is for. Write `kind = ...`, one of {', '.join(FEEDS)}, or "
            "take the file away if nothing was proposed."
        )
    if kind not in FEEDS:
        raise ProfileError(f"{where}: kind {kind!r} is no kind of feed. Use one of {', '.join(FEEDS)}.")
    ours = set(FEEDS[kind].to_schema().columns)
    for part in ("columns", "times", "values", "lists", "scale", "constants"):
        strange = set(table.get(part, {})) - ours
        if strange:
            raise ProfileError(
                f"{where}, [{part}]: {', '.join(sorted(strange))} is no column of {kind}. "
                f"Ours are {', '.join(sorted(ours))}."
            )
    if "zone" in table:
        check_zone(table["zone"], where)
    return Profile(
        kind=kind,
        format=table.get("format"),
        delimiter=table.get("delimiter"),
        encoding=table.get("encoding"),
        zone=table.get("zone"),
        columns={ours_: listed(theirs) for ours_, theirs in table.get("columns", {}).items()},
        times={column: listed(patterns) for column, patterns in table.get("times", {}).items()},
        values={column: words_of(words) for column, words in table.get("values", {}).items()},
        constants={column: str(value) for column, value in table.get("constants", {}).items()},
        files=listed(table.get("files", [])),
        lists={column: str(mark) for column, mark in table.get("lists", {}).items()},
        scale={column: scale_in(value, f"{where}, [scale]") for column, value in table.get("scale", {}).items()},
        unlisted=one_of(table.get("unlisted", WAITS), (WAITS, BY_SENSE), f"{where}, unlisted"),
    )


def read_profiles(paths: Iterable[Path]) -> list[Profile]:
    """The profiles in TOML files, and in the folders among the paths.

    Raises
    ------
    ProfileError : if two of them would read the same files, of which one could never be used.
    """
    found: dict[tuple[object, ...], Path] = {}
    profiles = []
    for path in paths:
        inside = sorted(path.glob("*.toml")) if path.is_dir() else [path]
        if not inside:
            raise MissingFile(f"{path}: no profile (*.toml) in this folder. Check the path.")
        for one in inside:
            profile = read_profile(one)
            same = (profile.kind, profile.files)
            if same in found:
                raise ProfileError(
                    f"{one}: {found[same]} reads files of {profile.kind} too. Say in each which it reads, "
                    'like files = "phonelog-*.csv".'
                )
            found[same] = one
            profiles.append(profile)
    return profiles


def listed(value: object) -> tuple[str, ...]:
    """One word or a list of them, as a tuple."""
    return tuple(str(v) for v in value) if isinstance(value, list) else (str(value),)


def scale_in(value: object, where: str) -> float | str:
    """A number above nought that a profile gives, or that each value says its own unit."""
    if value == AS_WRITTEN:
        return AS_WRITTEN
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < math.inf:
        raise ProfileError(
            f"{where}: {value!r} is no number above 0. Write one, like 60 for hours that are minutes here, or "
            f"{AS_WRITTEN!r} where each value says its unit."
        )
    return float(value)


def one_of(value: object, choices: tuple[str, ...], where: str) -> str:
    """A word of a profile that knows only some."""
    if value not in choices:
        raise ProfileError(f"{where}: {value!r} means nothing here. Write {' or '.join(choices)}.")
    return str(value)


def words_of(table: dict[str, Any]) -> dict[str, str]:
    """`ours = [theirs, …]` turned round: theirs (case folded) → ours."""
    return {theirs.strip().casefold(): ours for ours, many in table.items() for theirs in listed(many)}


def check_zone(zone: object, where: str) -> None:
    """Refuses what is not an IANA time zone."""
    try:
        ZoneInfo(str(zone))
    except (KeyError, ValueError, OSError) as error:
        raise ProfileError(f"{where}: zone {zone!r} is no IANA time zone. Write it like America/Chicago.") from error
