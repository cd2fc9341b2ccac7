"""Entries on their way: what people enter is left in the book's inbox as a file, and waits there for the writer.

Nothing else of the book is touched, so this needs no right to write it, and loses nothing while the writer is away.
"""

import json
import os
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from pipeline.contracts.moments import rfc3339
from pipeline.store.book import Book, write_private

STEM = "entries-board-"
PART = ".part"


@dataclass(frozen=True)
class Waiting:
    """A file of entries that the writer has not taken yet."""

    name: str
    entries: list[dict[str, Any]]


def entry(
    action: str,
    by: str,
    at: datetime,
    target: str | None = None,
    values: Mapping[str, Any] | None = None,
    withdraws: str | None = None,
) -> dict[str, Any]:
    """One entry as a row of the `entries` feed, with an id of its own.

    Parameters
    ----------
    action : what is entered
    by : who enters it
    at : when
    target : what it is about
    values : details; what is None is left out
    withdraws : the id of an entry that this one takes back
    """
    told = {name: value for name, value in (values or {}).items() if value is not None}
    row = {
        "entry_id": f"board-{uuid.uuid4().hex[:12]}",
        "at": rfc3339(at),
        "by": by,
        "action": action,
        "target": target,
        "values": json.dumps(told, ensure_ascii=False) if told else None,
        "withdraws": withdraws,
    }
    return {name: value for name, value in row.items() if value is not None}


def drop(book: Book, entries: Sequence[Mapping[str, Any]]) -> str:
    """Leaves entries in the inbox as one file, there whole or not at all; returns its name.

    The file is forced to the disk before it gets its name, so that a power cut after "kept" loses nothing.
    """
    name = f"{STEM}{uuid.uuid4().hex[:16]}.jsonl"
    text = "".join(json.dumps(entry, ensure_ascii=False) + "\n" for entry in entries)
    part = book.inbox / f".{name}{PART}"
    write_private(part, text.encode("utf-8", "replace"))
    handle = os.open(part, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
    part.replace(book.inbox / name)
    return name


def waiting(book: Book) -> list[Waiting]:
    """The files that wait, oldest first; one that is taken while this looks is left out.

    Anybody may leave a file there: what is no entry is passed over, and the intake refuses it with its reason.
    """
    found = []
    for path in sorted(book.inbox.glob(f"{STEM}*.jsonl"), key=lambda p: p.name):
        try:
            lines = path.read_text("utf-8", "replace").splitlines()
        except OSError:
            continue
        found.append(Waiting(path.name, [entry for line in lines if (entry := entry_of(line)) is not None]))
    return sorted(found, key=lambda w: str(w.entries[0].get("at")) if w.entries else "")


def entry_of(line: str) -> dict[str, Any] | None:
    """The entry that a line of a file says, None where it says none."""
    try:
        found = json.loads(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) and isinstance(found.get("entry_id"), str) else None
