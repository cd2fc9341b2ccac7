"""The hand-over and the fallback pack: what the room needs on paper, complete in itself."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from pipeline.contracts import estimates
from pipeline.outputs import fallback
from pipeline.outputs.hand_over import WORDS, hand_over, short
from pipeline.outputs.pages import clock


@pytest.fixture
def inputs(day, dispatch_inputs):
    sites = [day.site("S1", phone="p-aa11", address="12 Mill Lane"), day.site("S2", 0.05)]
    tickets = [
        day.ticket("K1", text="it <stopped> & beeps"),
        day.ticket("K3", "S2", "safety", opened_at=day.at - timedelta(minutes=30)),
    ]
    return dispatch_inputs(tickets, sites=sites, rovers=[day.rover("R1")])


def test_the_hand_over_says_what_is_open_and_keeps_away_from_danger(inputs, answers_of):
    page = hand_over(inputs[0], answers_of(inputs))
    assert "it &lt;stopped&gt; &amp; beeps" in page and "<stopped>" not in page
    assert page.index("Keep away") < page.index("S2 Grange Hall") < page.index(">Open<")
    assert "<td>K3" in page and page.index("<td>K3") < page.index("<td>K1")  # danger first
    assert "911" in page and "Unofficial" in page
    assert "http" not in page  # nothing is fetched


def test_a_time_of_another_day_has_its_weekday(day):
    evening, zone = day.at.replace(hour=23), "America/Chicago"
    night = evening + timedelta(hours=9)
    assert clock(evening, zone, evening) == f"{evening.astimezone(ZoneInfo(zone)):%H:%M}"
    assert clock(evening, zone, night) == f"{evening.astimezone(ZoneInfo(zone)):%a %H:%M}"


def test_the_hours_of_a_repeated_hour_are_told_apart():
    # In 2026 daylight saving time ends in the United States on Sunday 1 November at 02:00 (Energy Policy Act of 2005)
    first = datetime(2026, 11, 1, 6, 30, tzinfo=UTC)
    said = [clock(at, "America/Chicago") for at in (first, first + timedelta(hours=1))]
    assert said == ["01:30 CDT", "01:30 CST"]


def test_the_hand_over_has_the_counts_that_differ_and_says_what_a_roll_without_a_time_reported(day, inputs, answers_of):
    odd = {"site_id": "S2", "checked_in": 258, "accounted_for": 281, "difference": -23, "standing": "differs",
           "likely_cause": "rescanned", "explanation": "a stack scanned twice"}  # fmt: skip
    low = {"site_id": "S1", "unit_id": "U1", "item": "paper", "state": "low", "chance_full": 0.5, "basis": "report"}
    page = hand_over(
        inputs[0],
        answers_of(
            inputs,
            reconciliation=day.filled(estimates.Reconciliation, [odd]),
            supplies=day.filled(estimates.Supplies, [low]),
        ),
    )
    assert "a stack scanned twice" in page and "paper reported low" in page


def test_a_callers_words_are_cut_after_a_word_and_never_where_people_are_in_danger():
    told = "the battery is swollen " * 20
    cut = short(told)
    assert WORDS - len("swollen ") <= len(cut) <= WORDS
    assert cut.endswith(" …") and told.startswith(cut.removesuffix("…"))
    assert short(told, is_whole=True) == told.strip()
    assert short("x" * 500) == "x" * (WORDS - 1) + "…"


def test_a_pack_has_every_page_and_telephones_only_where_allowed(inputs, answers_of):
    plain = fallback.pages(inputs[0], answers_of(inputs))
    named = fallback.pages(inputs[0], answers_of(inputs), {"p-aa11": "555-0123"})
    assert [name.split("-", 1)[1] for name in plain] == [
        "open-tickets.html", "rovers.html", "places.html", "call-forms.html", "hand-over.html",
    ]  # fmt: skip
    assert not any("555-0123" in text or "p-aa11" in text for text in plain.values())
    assert "555-0123" in named["3-places.html"]
    assert plain["4-call-forms.html"].count('class="form"') == fallback.FORMS
    assert "R1" in plain["2-rovers.html"]


def test_packs_are_private_and_only_the_newest_are_kept(inputs, answers_of, tmp_path, day):
    found = fallback.pages(inputs[0], answers_of(inputs))
    for hour in range(fallback.KEPT + 2):
        made = fallback.write_pack(tmp_path / "fallback", found, day.at + timedelta(hours=hour), "America/Chicago")
    kept = sorted(p.name for p in (tmp_path / "fallback").iterdir())
    assert len(kept) == fallback.KEPT and kept[-1] == made.name == "pack-20261103-1900"
    assert sorted(p.name for p in made.iterdir()) == sorted(found)
    assert {p.stat().st_mode & 0o077 for p in (made, *made.iterdir())} == {0}
