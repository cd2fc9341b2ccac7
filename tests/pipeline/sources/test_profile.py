"""Which profile reads which file, where several are given."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.errors import ProfileError
from pipeline.sources.folder import gather
from pipeline.sources.profile import profile_of, read_profiles

NOW = datetime(2026, 11, 3, 18, tzinfo=UTC)


def test_a_profile_reads_the_files_that_it_names_whatever_kind_their_names_tell(tmp_path: Path):
    names = ["Phonelog 0700.csv", "status-of-calls.csv", "tickets-0700.csv", "readme.csv"]
    for name in names:
        (tmp_path / name).write_text("a\n1\n")
    profiles = [
        profile_of({"kind": "tickets", "files": ["phonelog *.csv", "status-of-calls*"]}, "calls"),
        profile_of({"kind": "status", "files": "meter-*"}, "meters"),
    ]
    found = {f.name: (f.kind, f.profile) for f in gather([tmp_path], NOW, profiles=profiles)}
    assert found["Phonelog 0700.csv"] == found["status-of-calls.csv"] == ("tickets", profiles[0])
    assert found["tickets-0700.csv"] == ("tickets", None)
    assert found["readme.csv"] == (None, None)


def test_a_folder_of_profiles_is_read_whole(tmp_path: Path):
    (tmp_path / "a.toml").write_text('kind = "tickets"\n')
    (tmp_path / "b.toml").write_text('kind = "status"\n')
    assert [p.kind for p in read_profiles([tmp_path])] == ["tickets", "status"]


def test_of_two_profiles_for_the_same_files_one_would_never_be_used(tmp_path: Path):
    for name in ("a.toml", "b.toml"):
        (tmp_path / name).write_text('kind = "tickets"\n')
    with pytest.raises(ProfileError, match=r"a\.toml reads files of tickets too"):
        read_profiles([tmp_path])


@pytest.mark.parametrize(
    "wrong",
    [
        {"scale": {"battery_minutes": 0}},
        {"scale": {"battery_minutes": "x"}},
        {"scale": {"battery_minutes": True}},
        {"unlisted": "guess"},
    ],
)
def test_a_part_that_says_nothing_is_refused(wrong: dict):
    with pytest.raises(ProfileError):
        profile_of({"kind": "units"} | wrong, "test")


def test_a_profile_for_which_nothing_was_proposed_says_so(tmp_path: Path):
    (tmp_path / "empty.toml").write_text("")
    with pytest.raises(ProfileError, match=r"empty\.toml: it does not say which kind of feed"):
        read_profiles([tmp_path])
