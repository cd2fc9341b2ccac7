"""Files handed to the process that holds the book: a folder in the inbox with a manifest, and receipts back.

inbox/take-ID/manifest.json   names the files with kind, receipt and profile; written last, by rename
inbox/take-ID/FILE            the files, copied
inbox/take-ID/receipts.json   the answer; whoever handed over removes the folder
"""

import json
import shutil
import time
import uuid
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from pipeline.contracts.moments import parse_time, rfc3339
from pipeline.errors import BookBusy
from pipeline.sources.folder import Incoming
from pipeline.sources.profile import Profile
from pipeline.store.book import Book, is_held
from pipeline.store.intake import Receipt

PREFIX, MANIFEST, ANSWER = "take-", "manifest.json", "receipts.json"
LOOK_EVERY_SECONDS = 0.1
PATIENCE_SECONDS = 300  # our choice: past this the writer is stuck, and the person should know


def hand_over(book: Book, files: Sequence[Incoming]) -> list[Receipt]:
    """Leaves files in the inbox of a book that another process holds, and waits for their receipts.

    Raises
    ------
    BookBusy : if the holder stops or does not answer; the files stay in the inbox and are taken later.
    """
    folder = book.inbox / f"{PREFIX}{uuid.uuid4().hex}"
    folder.mkdir(parents=True)
    listed = []
    for place, file in enumerate(files):
        kept = f"{place:05d}"
        if file.refused is None:
            shutil.copyfile(file.path, folder / kept)
        listed.append({**asdict(file), "path": kept, "received_at": rfc3339(file.received_at)})
    write_whole(folder / MANIFEST, listed)
    waited = 0.0
    while not (folder / ANSWER).exists():
        if waited > PATIENCE_SECONDS or waited > 1 and not is_held(book):
            raise BookBusy(
                f"{book.folder}: its writer gave no receipts. The files wait in {folder}; start `wardbook watch`."
            )
        time.sleep(LOOK_EVERY_SECONDS)
        waited += LOOK_EVERY_SECONDS
    receipts = [Receipt(**r) for r in json.loads((folder / ANSWER).read_text("utf-8"))]
    shutil.rmtree(folder, ignore_errors=True)
    return receipts


def handed(book: Book) -> list[Path]:
    """Folders that wait to be taken, oldest first."""
    waiting = [f for f in book.inbox.glob(f"{PREFIX}*") if (f / MANIFEST).exists() and not (f / ANSWER).exists()]
    return sorted(waiting, key=lambda f: (f / MANIFEST).stat().st_mtime_ns)


def read_handed(folder: Path) -> list[Incoming]:
    """The files of one folder handed over."""
    found = []
    for entry in json.loads((folder / MANIFEST).read_text("utf-8")):
        profile = Profile(**entry.pop("profile")) if entry["profile"] else None
        entry.pop("profile", None)
        received_at: datetime = parse_time(entry.pop("received_at"))
        path = folder / entry.pop("path")
        found.append(Incoming(path=path, received_at=received_at, profile=profile, **entry))
    return found


def answer(folder: Path, receipts: Sequence[Receipt]) -> None:
    """Leaves the receipts for whoever handed the files over."""
    write_whole(folder / ANSWER, [asdict(r) for r in receipts])


def write_whole(path: Path, value: Any) -> None:
    """A JSON file that is there whole or not at all."""
    part = path.with_suffix(".part")
    part.write_text(json.dumps(value, ensure_ascii=False), "utf-8")
    part.replace(path)
