"""The demo and the board as commands: they show the day, answer on the loopback address, and clear up after themselves."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline import run
from pipeline.board import Board, choose_port
from pipeline.demo import Replay, day_folder
from pipeline.errors import UsageError
from pipeline.store import read
from pipeline.store.book import Book, is_held, open_book

COMMAND = Path(sys.executable).with_name("wardbook")
PATIENCE_SECONDS = 180


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def started(words: list[object], environment: dict[str, str]) -> tuple[subprocess.Popen[str], str]:
    """A command that shows a board, and the first line that it prints."""
    process = subprocess.Popen(
        [COMMAND, *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=os.environ | environment,
    )
    assert process.stdout is not None
    for line in process.stdout:
        if line.startswith("The board is at"):
            return process, line
    raise AssertionError(f"{words}: ended with status {process.wait()} and showed no board")


def wait_complete(book: Book) -> None:
    """Until the lines, and what stands on them, have been worked out: the board opens before."""
    for _ in range(PATIENCE_SECONDS):
        with read.Snapshot(book.published) as snapshot:
            if snapshot.estimate("lines") is not None:
                return
        time.sleep(1)
    raise AssertionError("the lines never came")


def answers(port: int) -> bool:
    try:
        return urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=5).status == 200
    except OSError:
        return False


def test_the_demo_plays_the_day_and_clears_up(tmp_path: Path):
    port = free_port()
    process, line = started(["demo", "--no-browser", "--port", port, "--speed", "60"], {"TMPDIR": str(tmp_path)})
    assert f"http://127.0.0.1:{port}" in line and answers(port)
    (book,) = (open_book(p / "book") for p in tmp_path.glob("wardbook-demo-*"))
    wait_complete(book)
    with read.Snapshot(book.published) as snapshot:
        shown = snapshot.meta()["at"]
        lines, tickets, dispatch, power = (
            snapshot.estimate(what) for what in ("lines", "tickets", "dispatch", "power")
        )
        assert snapshot.failed() == {}
    assert shown >= datetime(2026, 11, 3, 15, 30, tzinfo=UTC)
    assert lines.height >= 100 and tickets.height > 30 and dispatch.height > 0
    assert (power["supply"] == "battery").sum() > 5  # the storm that begins at 10:08
    for _ in range(PATIENCE_SECONDS):
        with read.Snapshot(book.published) as snapshot:
            if snapshot.meta()["at"] > shown:
                break
        time.sleep(1)
    else:
        raise AssertionError("the day does not go on")
    process.send_signal(signal.SIGTERM)
    assert process.wait(PATIENCE_SECONDS) == 0
    assert not list(tmp_path.glob("wardbook-demo-*")) and not answers(port)


def test_the_board_starts_a_watcher_where_none_holds_the_book(write_day: Callable[..., Path], tmp_path: Path, now):
    run.take([write_day()], tmp_path / "book", now)
    book = open_book(tmp_path / "book")
    first_port, second_port = free_port(), free_port()
    first, _ = started(["board", "--book", book.folder, "--no-browser", "--port", first_port], {})
    assert is_held(book) and answers(first_port)
    second, _ = started(["board", "--book", book.folder, "--no-browser", "--port", second_port], {})
    assert answers(second_port)
    wait_complete(book)
    for process in (second, first):
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE_SECONDS) == 0
    assert not is_held(book) and not answers(first_port)


def test_the_server_listens_on_the_loopback_address_only(write_day: Callable[..., Path], tmp_path: Path, now):
    run.take([write_day()], tmp_path / "book", now)
    port = free_port()
    with Board(tmp_path / "book", port) as server:
        server.wait_ready()
        listening = subprocess.run(
            [sys.executable, "-c", LISTENING, str(port)], capture_output=True, text=True, check=True
        ).stdout.split()
    assert listening == ["0100007F"]  # 127.0.0.1 as Linux writes it in /proc/net/tcp


LISTENING = """
import sys
rows = [line.split() for name in ("tcp", "tcp6") for line in open(f"/proc/net/{name}").readlines()[1:]]
print(*[r[1].split(":")[0] for r in rows if r[3] == "0A" and int(r[1].split(":")[1], 16) == int(sys.argv[1])])
"""


def test_a_port_that_is_taken_is_refused_and_otherwise_another_is_found():
    with socket.socket() as busy:
        busy.bind(("127.0.0.1", 0))
        busy.listen()
        with pytest.raises(UsageError, match="something else listens there"):
            choose_port(busy.getsockname()[1])
    assert choose_port(None) >= 8501


def test_a_replay_hands_out_files_when_they_were_received():
    replay = Replay(day_folder(), "10:30", 60)
    assert replay.start == datetime(2026, 11, 3, 15, 30, tzinfo=UTC)
    early = replay.due(replay.start)
    assert early and all(f.received_at <= replay.start for f in early)
    later = replay.due(datetime(2026, 11, 3, 15, 45, tzinfo=UTC))
    assert later and not {f.name for f in early} & {f.name for f in later}
    assert Replay(day_folder(), "01:30", 60).start == datetime(2026, 11, 4, 6, 30, tzinfo=UTC)  # the night after
