"""Paths → files to take, each with its kind, profile and time of receipt."""

import csv
import io
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from pipeline.contracts.moments import parse_time
from pipeline.errors import MissingFile, SourceError, UnknownKind
from pipeline.sources import ORDER, source_of
from pipeline.sources.profile import Profile, form_with

RECEIVED = "received.csv"


@dataclass(frozen=True)
class Incoming:
    """A file to take. `refused` says why it will not be read; it has a receipt all the same."""

    path: Path
    name: str
    kind: str | None
    form: str
    received_at: datetime
    profile: Profile | None = None
    refused: str | None = None


def gather(
    paths: Sequence[Path], now: datetime, received: datetime | None = None, profiles: Sequence[Profile] = ()
) -> list[Incoming]:
    """The files behind paths, in the order in which they are taken: rosters first, then by receipt.

    Parameters
    ----------
    paths : files, and folders whose files are taken (their subfolders are not)
    now : the clock, for files that nothing else dates [UTC]
    received : a time of receipt that overrides everything

    Raises
    ------
    MissingFile : if a path is not there; nothing has been taken then.
    """
    missing = [path for path in paths if not path.exists()]
    if missing:
        raise MissingFile(f"{missing[0]}: no such file or folder. Check the path.")
    files = []
    for path in paths:
        inside = sorted(p for p in path.iterdir() if not p.name.startswith(".")) if path.is_dir() else [path]
        dated = receipts_beside(path if path.is_dir() else path.parent)
        files += [incoming(p, dated, now, received, profiles) for p in inside if p.name != RECEIVED]
    return sorted(files, key=lambda f: (ORDER.get(f.kind or "", -1), f.received_at, f.name))


def incoming(
    path: Path, dated: dict[str, datetime], now: datetime, received: datetime | None, profiles: Sequence[Profile]
) -> Incoming:
    """One file to take, or why it is refused."""
    received_at = received or dated.get(path.name) or now
    refused = refusal(path)
    profile = next((p for p in profiles if p.reads(path.name)), None)
    by_kind = {p.kind: p for p in profiles if not p.files}
    if profile is not None:
        kind = profile.kind
    else:
        try:
            kind = source_of(path.name).kind
        except UnknownKind as error:
            if len(profiles) != 1 or not by_kind or path.suffix == ".toml":
                return Incoming(path, path.name, None, "csv", received_at, refused=refused or str(error))
            kind = profiles[0].kind
        profile = by_kind.get(kind)
    return Incoming(path, path.name, kind, form_with(profile, path.name, kind), received_at, profile, refused)


def refusal(path: Path) -> str | None:
    """Why a path cannot be read as a file, None if it can."""
    if path.is_dir():
        return f"{path.name}: a folder inside a folder. Name it by itself to take its files."
    if not path.is_file():
        return f"{path.name}: not a plain file. Copy its contents into one."
    return None


def receipts_beside(folder: Path) -> dict[str, datetime]:
    """When the files of a folder were received, by its `received.csv`; empty without one.

    Raises
    ------
    SourceError : if a line of it cannot be read; a wrong time of receipt would change what was known when.
    """
    path = folder / RECEIVED
    if not path.is_file():
        return {}
    zone = zone_beside(folder)
    found = {}
    rows = csv.DictReader(io.StringIO(path.read_text("utf-8-sig"), newline=""))
    for number, row in enumerate(rows, start=2):
        try:
            found[row["file"]] = parse_time(row["received_at"] or "", zone)
        except (KeyError, ValueError, AttributeError) as error:
            raise SourceError(
                f"{path}, row {number}: {error}. Write file,received_at with times like 2026-11-03T09:30:00-06:00."
            ) from error
    return found


def zone_beside(folder: Path) -> str | None:
    """The zone in the folder's county.toml, for receipts written in local time."""
    try:
        return str(tomllib.loads((folder / "county.toml").read_text("utf-8"))["zone"])
    except (OSError, KeyError, ValueError):
        return None
