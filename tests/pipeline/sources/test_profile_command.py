"""`wardbook profile`: what it prints is a profile that `take` reads."""

import sys
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from pipeline import cli


@pytest.fixture
def wardbook(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Runs a command in this process: exit status, stdout, stderr."""

    def call(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["wardbook", *map(str, words)])
        capsys.readouterr()
        status: object = 0
        try:
            cli.main()
        except SystemExit as done:
            status = done.code or 0
        said = capsys.readouterr()
        return int(str(status)), said.out, said.err

    return call


def test_what_the_command_prints_can_be_piped_to_a_file_and_taken_with(wardbook, exports, write_day, tmp_path: Path):
    header, rows, _ = exports["line-counts"]
    (tmp_path / "export.csv").write_text("\n".join([header, *rows, ""]))
    assert wardbook("take", write_day(), "--book", tmp_path / "book")[0] == 0
    status, out, err = wardbook(
        "profile", tmp_path / "export.csv", "--kind", "line-counts", "--book", tmp_path / "book"
    )
    assert status == 0 and "Read this way, 2 of 2 rows have the form of line-counts" in err
    (tmp_path / "p.toml").write_text(out)
    words = ("take", tmp_path / "export.csv", "--book", tmp_path / "book", "--profile", tmp_path / "p.toml")
    status, out, _ = wardbook(*words, "--received", "2026-11-03T12:00:00-06:00")
    assert status == 0 and "2 rows read, 2 accepted" in out


def test_a_missing_required_column_ends_with_status_1_and_still_prints_the_profile(wardbook, tmp_path: Path):
    (tmp_path / "x.csv").write_text("case,opened,place\n1,2026-11-03 07:00,Oxbow\n")
    status, out, err = wardbook("profile", tmp_path / "x.csv", "--kind", "tickets")
    assert status == 1 and tomllib.loads(out)["columns"]["ticket_id"] == "case"
    assert "x.csv: nothing fits text, status." in err


@pytest.mark.parametrize(
    ("words", "status", "sentence"),
    [
        (("nowhere.csv", "--kind", "tickets"), 2, "nowhere.csv: no such file"),
        (("EMPTY", "--kind", "tickets"), 1, "empty.csv: the file is empty"),
        (("EMPTY", "--kind", "weather"), 2, "--kind weather: no kind of feed"),
        (("FOLDER", "--kind", "tickets"), 2, "a folder. Name one file of it"),
        (("EMPTY", "--kind", "tickets", "--book", "nobook"), 2, "nobook: no book there"),
    ],
)
def test_what_cannot_be_done_is_said_in_one_sentence(wardbook, tmp_path: Path, words, status: int, sentence: str):
    (tmp_path / "empty.csv").write_text("")
    named = {"EMPTY": tmp_path / "empty.csv", "FOLDER": tmp_path}
    found, out, err = wardbook("profile", *(named.get(word, word) for word in words))
    assert found == status and out == "" and sentence in err and "Traceback" not in err
