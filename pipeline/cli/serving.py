"""What keeps running: watch, board, demo."""

from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated

import typer

from pipeline import run
from pipeline.beside import Beside
from pipeline.board import Board, choose_port
from pipeline.cli.app import BookOption, ProfileOption, app, now
from pipeline.demo import SPEED, START, Replay, day_folder, play
from pipeline.errors import UsageError
from pipeline.shell import messages, profiles_of, show, stopping, working
from pipeline.store.book import is_held, open_book
from pipeline.watch import Hourly, Watcher

PhonesOption = Annotated[
    bool, typer.Option("--phones", help="Show and print names and telephone numbers to whoever sits here.")
]


def teller(addresses: list[str]) -> Callable[[str], None]:
    """What tells an alarm to others, through `apprise`.

    Raises
    ------
    UsageError : where apprise is not installed, or an address is none of its.
    """
    try:
        import apprise  # optional: most rooms need no more than the board
    except ImportError as error:
        raise UsageError(
            "--notify: needs apprise, which is not installed. `pip install apprise`, or leave it out."
        ) from error
    service = apprise.Apprise()
    for address in addresses:
        if not service.add(address):
            raise UsageError(f"--notify {address}: not an address that apprise knows. See its list of services.")
    return lambda text: service.notify(title="Wardbook", body=text)


@app.command()
def watch(
    folder: Annotated[list[Path], typer.Argument(help="Folders in which files arrive.")],
    book: BookOption,
    profile: ProfileOption = None,
    phones: PhonesOption = False,
    notify: Annotated[
        list[str] | None, typer.Option(help="An address of `apprise` that alarms are told to; may be repeated.")
    ] = None,
) -> None:
    """Take in what arrives and keep the published estimates fresh. Example: wardbook watch arrivals --book day

    The only writer while it runs; the book's own inbox is watched too. Every hour a fallback pack to print is written
    to the book's folder `fallback`. Stops cleanly on SIGTERM or Ctrl-C.
    """
    tell = teller(notify) if notify else None
    for path in folder:
        if not path.is_dir():
            raise UsageError(f"{path}: not a folder. Name the folder in which files arrive.")
    known_book = open_book(book, create=True)
    with stopping() as stop, run.Writer(known_book, now()) as writer, Beside() as beside:
        messages.print(f"Watching {', '.join(map(str, folder))} and {known_book.inbox} for {book}. Ctrl-C stops.")
        watcher = Watcher(writer, folder, profiles_of(profile), messages.print, Hourly(phones), tell, beside)
        watcher.run(stop, now)
    messages.print("Stopped.")


@app.command()
def board(
    book: BookOption,
    port: Annotated[int | None, typer.Option(help="A port of this machine; else the first free one from 8501.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Only print the address.")] = False,
    phones: PhonesOption = False,
) -> None:
    """Show the board. Example: wardbook board --book day

    Listens on the loopback address only. Starts a watcher where none holds the book.
    """
    known_book = open_book(book)
    with stopping() as stop, Board(known_book.folder, choose_port(port), phones) as server:
        if is_held(known_book):
            show(server, no_browser)
            while server.is_running() and not stop.wait(1):
                pass
            return
        with run.Writer(known_book, now()) as writer, Beside() as beside:
            watcher = Watcher(writer, [], [], messages.print, Hourly(phones), None, beside)
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
        with Board(book.folder, chosen) as server, run.Writer(book, replay.start) as writer, Beside() as beside:
            with working("Taking the day so far"):
                writer.take(replay.due(replay.start), replay.start)
                known = writer.known(replay.start)
                writer.show(run.Estimated() if known is None else run.awaited(known), replay.start)
                beside.warm_up()
            show(server, no_browser)
            messages.print(f"An invented day from {at} on, {speed:g} minutes a minute. Ctrl-C ends it.")
            replay.begin()
            play(writer, replay, stop, messages.print, server.is_running, beside)
    messages.print("Stopped; the demo's book has been cleared away.")
