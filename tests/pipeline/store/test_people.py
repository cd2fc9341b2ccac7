"""Who is behind a token: one token for a name, whoever asks."""

import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest

from pipeline.store import people
from pipeline.store.book import open_book


def test_a_name_has_one_token_though_two_parts_of_a_file_ask_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    known = people.People(open_book(tmp_path / "book", create=True))
    make, together = people.secrets.token_hex, Barrier(2)

    def slowly(size: int) -> str:
        time.sleep(0.01)  # long enough for the other to look too
        return make(size)

    def ask(names: list[str | None]) -> list[str | None]:
        together.wait()
        return known.tokens(names)

    monkeypatch.setattr(people.secrets, "token_hex", slowly)
    with ThreadPoolExecutor(2) as both:
        first, second = both.map(ask, [["Ada Moss", "Jo Reed", None]] * 2)
    assert first == second and first[2] is None and len(set(first)) == 3
