"""The board's server: Streamlit in a process of its own, on the loopback address only.

Until there is access control nobody but this machine may reach it.
"""

import os
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from types import TracebackType

from pipeline.errors import UsageError, WardbookError

HOST = "127.0.0.1"
FIRST_PORT = 8501
PORTS_TRIED = 50
READY_SECONDS = 60
STOP_SECONDS = 5


def choose_port(wanted: int | None) -> int:
    """A free port: the one asked for, or the first free one from 8501 on.

    Raises
    ------
    UsageError : if the port asked for is taken.
    """
    if wanted is not None:
        if not is_free(wanted):
            raise UsageError(f"--port {wanted}: something else listens there. Choose another, or leave it out.")
        return wanted
    for port in range(FIRST_PORT, FIRST_PORT + PORTS_TRIED):
        if is_free(port):
            return port
    raise WardbookError(f"No free port from {FIRST_PORT} to {FIRST_PORT + PORTS_TRIED - 1}. Name one with --port.")


def is_free(port: int) -> bool:
    """Whether nothing listens on a loopback port."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError:
            return False
    return True


class Board:
    """The server, while the context lasts."""

    def __init__(self, book: Path, port: int, with_phones: bool = False) -> None:
        self._book = book
        self._with_phones = with_phones
        self.port = port
        self.address = f"http://{HOST}:{port}"
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> "Board":
        options = {
            "server.address": HOST,
            "server.port": str(self.port),
            "server.headless": "true",
            "server.fileWatcherType": "none",
            "browser.gatherUsageStats": "false",
            "client.toolbarMode": "minimal",
            # A full collection after every run takes longer than most runs; Python collects on its own.
            "runner.postScriptGC": "false",
        }
        flags = [f"--{name}={value}" for name, value in options.items()]
        self._process = subprocess.Popen(
            [sys.executable, "-m", "dashboard.serve", *flags],
            env=os.environ
            | {
                "WARDBOOK_BOOK": str(self._book.resolve()),
                "WARDBOOK_PHONES": "1" if self._with_phones else "0",
                "WARDBOOK_READ_AHEAD": "1",
                # Every drawing has a thread of its own: with an arena each, memory once used for one is not used again.
                "MALLOC_ARENA_MAX": "1",
                "MALLOC_TRIM_THRESHOLD_": "65536",
            },
            stdout=subprocess.DEVNULL,
        )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(STOP_SECONDS)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()

    def is_running(self) -> bool:
        """Whether the server is still there."""
        return self._process is not None and self._process.poll() is None

    def wait_ready(self) -> None:
        """Until the server answers.

        Raises
        ------
        WardbookError : if it stops, or does not answer in time.
        """
        until = time.monotonic() + READY_SECONDS
        while time.monotonic() < until:
            if not self.is_running():
                raise WardbookError(
                    "The board's server stopped while starting; what it said stands above. Run the command again."
                )
            try:
                with urllib.request.urlopen(f"{self.address}/_stcore/health", timeout=1) as reply:
                    if reply.status == 200:
                        return
            except OSError:
                time.sleep(0.1)
        raise WardbookError(f"The board's server gave no answer at {self.address}. Run the command again.")
