"""What goes in: take, profile, mend; and whether the book is whole: verify."""

import json
import tomllib
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer

from pipeline import run
from pipeline.cli.app import BookOption, ProfileOption, app, now
from pipeline.errors import BookBusy, MissingFile, UsageError, WardbookError
from pipeline.normalise.trial import trial
from pipeline.shell import fault_words, messages, moment, one_of, profiles_of, working
from pipeline.sources.folder import gather, refusal
from pipeline.sources.profile import Profile, profile_of
from pipeline.store import handover, log, read
from pipeline.store import mend as mends
from pipeline.store.book import is_held, open_book
from pipeline.store.intake import Receipt
from pipeline.store.rosters import roster_of
from pipeline.watch import summary, told

FORMATS = ("text", "json")


@app.command()
def take(
    paths: Annotated[list[Path], typer.Argument(help="Files, or a day's folder.")],
    book: BookOption,
    profile: ProfileOption = None,
    received: Annotated[
        str | None, typer.Option(help="When the files were received; else received.csv, else now.")
    ] = None,
    format: Annotated[str, typer.Option(help="text or json.")] = "text",
) -> None:
    """Take files into a book. Example: wardbook take demo_data/day --book day

    Every row is logged, known already, or kept in quarantine with its reason; the receipts say which. While a
    watcher holds the book, the files are handed to it. Exit status 1 if a file named here had to be refused whole.
    """
    one_of(format, FORMATS, "--format")
    profiles = profiles_of(profile)
    received_at = moment(received) if received else None
    with working(f"Taking {len(paths)} path(s)"):
        receipts = taken(paths, book, profiles, received_at)
    if format == "json":
        print(json.dumps([asdict(r) for r in receipts], ensure_ascii=False, indent=1))
    else:
        for receipt in receipts:
            print(told(receipt))
            for reason in receipt.reasons if receipt.refused is None else ():
                print(f"    {fault_words(**reason)}")
        print(summary(receipts))
    named = {path.name for path in paths if not path.is_dir()}
    if any(r.refused and r.file in named for r in receipts):
        raise WardbookError("A file was refused whole; its receipt says why.")


@app.command()
def profile(
    files: Annotated[list[Path], typer.Argument(help="Files of one kind as another program exports them.")],
    kind: Annotated[str, typer.Option(help="What its rows are: tickets, status, line-counts, ...")],
    book: Annotated[Path | None, typer.Option("--book", help="A book whose rosters, zone and day help.")] = None,
) -> None:
    """Propose how an export is read. Example: wardbook profile export.csv --kind tickets

    Prints a profile (TOML) for `take --profile`, each line with how sure it is and why; what could not be placed stands
    at its end. CSV, JSON Lines or .xlsx; name several files of a kind where one does not hold all its words. Exit
    status 1 if a required column could not be placed.
    """
    from pipeline.sources.proposal import propose  # loading scipy takes a while, and no other command needs it here
    from pipeline.sources.proposal_text import profile_text

    for file in files:
        if not file.exists():
            raise MissingFile(f"{file}: no such file. Check the path.")
        if file.is_dir():
            raise UsageError(f"{file}: a folder. Name one file of it, or several of one kind.")
        refused = refusal(file)
        if refused:
            raise UsageError(refused)
    file, *others = files
    roster = roster_of(open_book(book).published) if book else None
    proposal = propose(file.read_bytes(), file.name, kind, roster, [(f.read_bytes(), f.name) for f in others])
    text = profile_text(proposal)
    print(text, end="")
    zone = roster.zone if roster else None
    good, faults = trial(proposal.raw, profile_of(tomllib.loads(text), file.name), now(), zone)
    total = len(proposal.raw.rows) + len(proposal.raw.faults)
    first = f" Row {faults[0].row}, {faults[0].column or 'the whole row'}: {faults[0].reason}." if faults else ""
    messages.print(f"Read this way, {good} of {total} rows have the form of {kind}.{first}", markup=False)
    if proposal.missing:
        names = ", ".join(ours.name for ours, _ in proposal.missing)
        raise WardbookError(f"{file}: nothing fits {names}. The end of the profile says what to do.")


@app.command()
def mend(
    file: Annotated[str, typer.Option(help="The file's name, as its receipt gives it.")],
    row: Annotated[int, typer.Option(help="The row's number, as its receipt gives it.")],
    set_: Annotated[list[str], typer.Option("--set", help="COLUMN=VALUE; may be repeated.")],
    by: Annotated[str, typer.Option(help="Who corrects it.")],
    why: Annotated[str, typer.Option(help="Why this is right.")],
    book: BookOption,
) -> None:
    """Correct a row. Example: wardbook mend --file a.csv --row 4 --set at=09:30 --by Lee --why phoned --book day

    For rows in quarantine: the correction is an entry of its own, counts from now, and the original stays as it came.
    """
    values = dict(pair.partition("=")[::2] for pair in set_)
    known_book = open_book(book)
    with read.Snapshot(known_book.published) as snapshot:
        target = mends.find(snapshot.con, file, row)
    mends.check_columns(target, values)
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"entries-mend-{now():%Y%m%dT%H%M%S}.jsonl"
        path.write_text(mends.mend_line(target, values, by, why, now()), "utf-8")
        receipts = taken([path], book, [], None)
    print(told(receipts[-1]))
    for reason in receipts[-1].reasons:
        print(f"    {fault_words(**reason)}")
    if receipts[-1].quarantined or len(receipts) == 1:
        raise WardbookError(f"{file}, row {row}: still in quarantine. Correct what is said above too.")


@app.command()
def verify(book: BookOption) -> None:
    """Check the book's tamper evidence. Example: wardbook verify --book day

    Recomputes every entry's hash and every tree head; exit status 1 names the first entry that differs.
    """
    known_book = open_book(book)
    if is_held(known_book):
        head = log.verify(known_book.published)
        print(f"whole as published: {head.size} entries, tree head {head.root.hex()} (a watcher holds the log itself)")
        return
    head = log.verify(known_book.log)
    missing = log.missing_originals(known_book.log, known_book.originals)
    if missing:
        raise WardbookError(f"{known_book.originals}: {missing[0]}. The log is whole; restore the file from a copy.")
    print(f"whole: {head.size} entries, tree head {head.root.hex()}")


def taken(paths: list[Path], book: Path, profiles: list[Profile], received: datetime | None) -> list[Receipt]:
    """Files taken into a book, by its watcher where one holds it."""
    try:
        return run.take(paths, book, now(), profiles, received)
    except BookBusy:
        return handover.hand_over(open_book(book), gather(paths, now(), received, profiles))
