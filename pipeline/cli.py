"""The commands; the only module that reads the clock. Results go to stdout, messages to stderr."""

import json
import sys
import tomllib
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer

from pipeline import run
from pipeline.board import Board, choose_port
from pipeline.contracts.estimates import ESTIMATES
from pipeline.demo import SPEED, START, Replay, day_folder, play
from pipeline.errors import BookBusy, MissingFile, UsageError, WardbookError
from pipeline.normalise.trial import trial
from pipeline.outputs import export
from pipeline.shell import asked_of, messages, moment, one_of, profiles_of, put, show, stopping, working
from pipeline.sources.folder import gather, refusal
from pipeline.sources.profile import Profile, profile_of
from pipeline.store import handover, log, read
from pipeline.store import mend as mends
from pipeline.store.book import is_held, open_book
from pipeline.store.intake import Receipt
from pipeline.store.people import names_behind
from pipeline.store.rosters import roster_of
from pipeline.watch import Watcher, summary, told

app = typer.Typer(no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
WHATS = tuple(ESTIMATES)
FORMATS = ("text", "json")
TABLE_FORMATS = ("json", "csv", "parquet")

BookOption = Annotated[Path, typer.Option("--book", help="The book's folder.")]
ProfileOption = Annotated[
    list[Path] | None, typer.Option("--profile", help="TOML: how a county's own export is written.")
]


def now() -> datetime:
    """The clock."""
    return datetime.now(UTC)


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
                where = f"row {reason['row']}, {reason['column'] or 'the whole row'}"
                print(f"    {where}: {reason['value']!r}: {reason['reason']}")
        print(summary(receipts))
    named = {path.name for path in paths if not path.is_dir()}
    if any(r.refused and r.file in named for r in receipts):
        raise WardbookError("A file was refused whole; its receipt says why.")


@app.command()
def profile(
    file: Annotated[Path, typer.Argument(help="A file as another program exports it: CSV, JSON Lines or .xlsx.")],
    kind: Annotated[str, typer.Option(help="What its rows are: tickets, status, line-counts, ...")],
    book: Annotated[Path | None, typer.Option("--book", help="A book whose rosters, zone and day help.")] = None,
) -> None:
    """Propose how an export is read. Example: wardbook profile export.csv --kind tickets

    Prints a profile (TOML) for `take --profile`, each line with how sure it is and why; what could not be placed stands
    at its end. Exit status 1 if a required column could not be placed.
    """
    from pipeline.sources.proposal import propose  # loading scipy takes a while, and no other command needs it here
    from pipeline.sources.proposal_text import profile_text

    if not file.exists():
        raise MissingFile(f"{file}: no such file. Check the path.")
    if file.is_dir():
        raise UsageError(f"{file}: a folder. Name one file of it.")
    refused = refusal(file)
    if refused:
        raise UsageError(refused)
    roster = roster_of(open_book(book).published) if book else None
    proposal = propose(file.read_bytes(), file.name, kind, roster)
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
def estimate(
    what: Annotated[str, typer.Argument(help="all, or one of " + ", ".join(WHATS) + ".")],
    book: BookOption,
    at: Annotated[list[str] | None, typer.Option(help="What was known at this time; may be repeated.")] = None,
    format: Annotated[str, typer.Option(help="json, csv or parquet.")] = "json",
    out: Annotated[Path | None, typer.Option(help="A file; for `all`, a folder.")] = None,
) -> None:
    """Answer a question from what was known. Example: wardbook estimate lines --book day --at 2026-11-03T10:30:00-06:00

    Without --at the time is the newest receipt in the book (now, while the book is watched).
    """
    from pipeline.estimates import Answers  # loading them takes seconds, and no other command needs them

    one_of(what, ("all", *WHATS), "WHAT")
    one_of(format, TABLE_FORMATS, "--format")
    if what == "all" and out is None:
        raise UsageError("estimate all: needs a folder for its files. Add --out FOLDER.")
    if format == "parquet" and out is None:
        raise UsageError("--format parquet: cannot be printed. Add --out FILE.")
    asked = asked_of(book, at, now())
    rows, times, zone = asked.rows, asked.times, asked.zone
    parts = []
    with working("Estimating", len(times)) as advance:
        for time in times:
            answers = Answers(read.known_at(rows, time))
            if what == "all":
                for each in WHATS:
                    name = f"{each}-{time.astimezone(UTC):%Y%m%dT%H%MZ}.{format}"
                    export.write(answers.answer(each), format, Path(out or ".") / name, time, zone)
            else:
                parts.append(export.stamped(answers.answer(what), time))
            advance()
    if what == "all":
        messages.print(f"{len(times) * len(WHATS)} files written to {out}")
        return
    table = export.together(parts)
    if out is not None:
        export.write(table, format, out, None, zone)
    else:
        print(export.as_text(table, format, zone))


@app.command()
def sheet(
    rover: Annotated[str, typer.Option(help="A rover_id of the roster.")],
    book: BookOption,
    at: Annotated[str | None, typer.Option(help="What was known at this time.")] = None,
    out: Annotated[Path | None, typer.Option(help="An HTML file; else stdout.")] = None,
    phones: Annotated[bool, typer.Option("--phones", help="Print the sites' telephone numbers.")] = False,
) -> None:
    """Print a rover's next stops as one page. Example: wardbook sheet --rover R3 --book day --out R3.html

    For paper or a phone; complete in itself. A later plan may replace it.
    """
    from pipeline.estimates import Answers  # loading them takes seconds
    from pipeline.outputs.sheet import sheet as page

    asked = asked_of(book, [at] if at else None, now())
    known = read.known_at(asked.rows, asked.times[0])
    numbers = names_behind(asked.book.people) if phones else None
    put(page(known, Answers(known), rover, numbers), out)


@app.command()
def review(
    book: BookOption,
    at: Annotated[str | None, typer.Option(help="What was known at this time.")] = None,
    out: Annotated[Path | None, typer.Option(help="An HTML file; else stdout.")] = None,
) -> None:
    """Write the day's first report for reviewers. Example: wardbook review --book day --out review.html

    Ballot counts only, never votes; every figure is unofficial.
    """
    from pipeline.estimates import Answers  # loading them takes seconds
    from pipeline.outputs.review import review as page

    asked = asked_of(book, [at] if at else None, now())
    known = read.known_at(asked.rows, asked.times[0])
    with read.Snapshot(asked.book.published) as snapshot:
        intake = read.intake_by_kind(snapshot.con, asked.times[0])
    put(page(known, Answers(known), intake), out)


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
        print(
            f"    row {reason['row']}, {reason['column'] or 'the whole row'}: {reason['value']!r}: {reason['reason']}"
        )
    if receipts[-1].quarantined or len(receipts) == 1:
        raise WardbookError(f"{file}, row {row}: still in quarantine. Correct what is said above too.")


def taken(paths: list[Path], book: Path, profiles: list[Profile], received: datetime | None) -> list[Receipt]:
    """Files taken into a book, by its watcher where one holds it."""
    try:
        return run.take(paths, book, now(), profiles, received)
    except BookBusy:
        return handover.hand_over(open_book(book), gather(paths, now(), received, profiles))


@app.command()
def watch(
    folder: Annotated[list[Path], typer.Argument(help="Folders in which files arrive.")],
    book: BookOption,
    profile: ProfileOption = None,
) -> None:
    """Take in what arrives and keep the published estimates fresh. Example: wardbook watch arrivals --book day

    The only writer while it runs; the book's own inbox is watched too. Stops cleanly on SIGTERM or Ctrl-C.
    """
    for path in folder:
        if not path.is_dir():
            raise UsageError(f"{path}: not a folder. Name the folder in which files arrive.")
    known_book = open_book(book, create=True)
    with stopping() as stop, run.Writer(known_book, now()) as writer:
        messages.print(f"Watching {', '.join(map(str, folder))} and {known_book.inbox} for {book}. Ctrl-C stops.")
        Watcher(writer, folder, profiles_of(profile), messages.print).run(stop, now)
    messages.print("Stopped.")


@app.command()
def board(
    book: BookOption,
    port: Annotated[int | None, typer.Option(help="A port of this machine; else the first free one from 8501.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print the address.")] = False,
) -> None:
    """Show the board. Example: wardbook board --book day

    Listens on the loopback address only. Starts a watcher where none holds the book.
    """
    known_book = open_book(book)
    with stopping() as stop, Board(known_book.folder, choose_port(port)) as server:
        if is_held(known_book):
            show(server, no_browser)
            while server.is_running() and not stop.wait(1):
                pass
            return
        with run.Writer(known_book, now()) as writer:
            watcher = Watcher(writer, [], [], messages.print)
            watcher.round(now())
            show(server, no_browser)
            watcher.run(stop, now, server.is_running)
    messages.print("Stopped.")


@app.command()
def demo(
    port: Annotated[int | None, typer.Option(help="A port of this machine; else the first free one from 8501.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print the address.")] = False,
    at: Annotated[str, typer.Option(help="Where in the day to begin, local HH:MM.")] = START,
    speed: Annotated[float, typer.Option(help="Minutes of the day in one minute.")] = SPEED,
) -> None:
    """Play an invented election day into a board. Example: wardbook demo --at 13:00 --speed 30

    Everything that had been received by then is taken at once; the day then goes on. Works offline, on the loopback
    address only, and clears its book away when it ends.
    """
    chosen = choose_port(port)
    replay = Replay(day_folder(), at, speed)
    with TemporaryDirectory(prefix="wardbook-demo-") as folder, stopping() as stop:
        book = open_book(Path(folder) / "book", create=True)
        with Board(book.folder, chosen) as server, run.Writer(book, replay.start) as writer:
            with working("Taking the day so far"):
                writer.take(replay.due(replay.start), replay.start)
                writer.publish(replay.start, replay.start)
            show(server, no_browser)
            messages.print(f"An invented day from {at} on, {speed:g} minutes a minute. Ctrl-C ends it.")
            replay.begin()
            play(writer, replay, stop, messages.print, server.is_running)
    messages.print("Stopped; the demo's book has been cleared away.")


def main() -> None:
    """The command line's entry: one sentence for what goes wrong, and the contract's exit status."""
    try:
        app()
    except WardbookError as error:
        messages.print(str(error), markup=False)
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        messages.print("Stopped.")
        sys.exit(130)
    except BrokenPipeError:
        sys.exit(0)


if __name__ == "__main__":
    main()
