"""Rows of text take the shape of their kind, or say column by column why they cannot."""

from datetime import UTC, datetime

from pipeline.normalise.shape import Piece, Shaped, shape
from pipeline.sources.profile import profile_of
from pipeline.sources.reading import read_table

RECEIVED = datetime(2026, 11, 3, 18, tzinfo=UTC)
CHICAGO = "America/Chicago"
HEAD = "unit_id,at,sequence,battery_percent,power\n"


def shaped(
    text: str, kind: str = "status", profile: dict | None = None, zone: str | None = CHICAGO, form: str = "csv"
) -> Shaped:
    described = profile_of(profile, "test") if profile else None
    raw = read_table(text.encode(), "file.csv", form, described)
    return shape([Piece(raw, RECEIVED, described)], kind, zone)


def reasons(result: Shaped) -> list[tuple[int, str | None, str | None, str]]:
    return [(f.row, f.column, f.value, f.reason) for f in result.faults[0]]


def test_good_values_take_their_types():
    row = shaped(HEAD + "U1,2026-11-03T09:30:00,7.0,81.5,Mains\n").good.to_dicts()[0]
    assert row["at"] == datetime(2026, 11, 3, 15, 30, tzinfo=UTC) and row["sequence"] == 7
    assert row["battery_percent"] == 81.5 and row["power"] == "mains" and row["jams"] is None


def test_each_bad_column_has_its_value_and_reason():
    result = shaped(HEAD + "U1,25:99,x,140,steam\n")
    assert result.good.is_empty()
    assert [(column, value) for _, column, value, _ in reasons(result)] == [
        ("at", "25:99"), ("sequence", "x"), ("power", "steam"), ("battery_percent", "140"),
    ]  # fmt: skip
    assert "mains, battery" in reasons(result)[2][3] and "0 to 100" in reasons(result)[3][3]


def test_a_required_value_that_is_missing_is_named():
    assert reasons(shaped(HEAD + ",2026-11-03T09:30:00,1,,\n")) == [(2, "unit_id", None, "required, and empty")]


def test_a_time_more_than_twelve_hours_after_receipt_is_refused_but_not_one_less():
    assert shaped(HEAD + "U1,2026-11-03T23:59:00,1,,\n").good.height == 1  # 11 h 59 min after receipt
    assert "more than 12 hours after its receipt" in reasons(shaped(HEAD + "U1,2026-11-04T00:01:00,1,,\n"))[0][3]


def test_a_promise_may_lie_far_ahead():
    text = "outage_id,circuit,started_at,estimated_restoration_at\nO1,K1,2026-11-03T10:00:00,2026-11-05T10:00:00\n"
    assert shaped(text, "outages").good.height == 1


def test_headers_match_whatever_their_case_and_blanks():
    result = shaped("Unit ID,AT,Sequence,Battery-Percent,weather\nU1,2026-11-03T09:30:00,1,50,wet\n")
    assert result.good["battery_percent"].to_list() == [50] and result.extra == ("weather",)


def test_a_missing_required_column_is_said_once_a_row():
    found = reasons(shaped("unit_id,sequence\nU1,1\nU2,2\n"))
    assert [(row, column) for row, column, _, _ in found] == [(2, "at"), (3, "at")]
    assert "found: unit_id, sequence" in found[0][3]


def test_local_times_wait_for_the_zone():
    result = shaped(HEAD + "U1,2026-11-03T09:30:00,1,,\nU1,2026-11-03T09:30:00Z,2,,\n", zone=None)
    assert result.good["row"].to_list() == [3] and result.faults[0][0].code == "no-zone"
    waits = "a local time, and the county's zone is not known yet; take county.toml"
    assert reasons(result) == [(2, "at", "2026-11-03T09:30:00", waits)]


def test_a_time_in_the_twice_occurring_hour_is_kept_and_marked():
    result = shaped(HEAD + "U1,2026-11-01T01:30:00,1,,\nU1,2026-11-01T03:30:00,2,,\n")
    assert result.good["ambiguous_times"].to_list() == ["at", None]


def test_a_profile_renames_translates_and_fixes():
    profile = {
        "kind": "tickets", "delimiter": ";", "zone": "America/Denver",
        "columns": {"ticket_id": "Ref", "opened_at": "Logged", "site": ["Where", "Place"], "text": "Story"},
        "times": {"opened_at": ["%d/%m/%Y %H:%M"]},
        "values": {"status": {"open": ["NEW", "Waiting"]}},
        "constants": {"urgency": "none given"},
    }  # fmt: skip
    text = "Ref;Logged;Place;Story;Status;site\n9;03/11/2026 08:00;Grange;no light;waiting;east\n"
    row = shaped(text, "tickets", profile).good.to_dicts()[0]
    assert (row["ticket_id"], row["site"], row["status"], row["urgency"]) == ("9", "Grange", "open", "none given")
    assert row["opened_at"] == datetime(2026, 11, 3, 15, tzinfo=UTC) and row["their_site"] == "east"


def test_a_profile_puts_a_date_and_a_time_of_day_together():
    profile = {
        "kind": "status",
        "columns": {"unit_id": "Dev", "at": "DAY + Time of day", "state": "Mode + Text", "sequence": "No"},
        "times": {"at": ["%m/%d/%Y %H:%M"]},
    }
    text = (
        "dev,No,Day,time-of-day,Mode + Text\nU1,1,11/03/2026,07:05,ready\nU1,2,11/03/2026,,ready\nU1,3,,07:15,ready\n"
    )
    found = shaped(text, profile=profile)
    assert found.good["at"].to_list() == [datetime(2026, 11, 3, 13, 5, tzinfo=UTC)]
    assert found.good["state"].to_list() == ["ready"]  # a column that is called so is meant itself
    assert [(row, column, value) for row, column, value, _ in reasons(found)] == [
        (3, "at", "11/03/2026"),
        (4, "at", "07:15"),
    ]
    assert found.extra == ()


def test_thousands_marks_are_read_and_fractions_of_a_count_are_not():
    head = "site_id,checked_in\n"
    assert shaped(head + 'P1,"1,204"\n', "reconciliation").good["checked_in"].to_list() == [1204]
    assert reasons(shaped(head + "P1,12.5\n", "reconciliation"))[0][1:3] == ("checked_in", "12.5")


def test_a_percent_sign_after_a_number_is_read():
    assert shaped(HEAD + "U1,2026-11-03T09:30:00,1,87 %,\n").good["battery_percent"].to_list() == [87]


def test_a_word_that_no_profile_lists_waits_or_is_read_by_its_sense():
    text = HEAD + "U1,2026-11-03T09:30:00,1,50,on its own battery\n"
    profile = {"kind": "status", "values": {"power": {"mains": ["wall"]}}}
    assert shaped(text, profile=profile).good.is_empty()
    found = shaped(text.replace("on its own battery", "ups"), profile=profile | {"unlisted": "by-sense"})
    assert found.good["power"].to_list() == ["battery"]
    assert found.good["their_power"].to_list() == ["ups"]
    found = shaped(text.replace("on its own battery", "OnBattery"), profile=profile | {"unlisted": "by-sense"})
    assert found.good["power"].to_list() == ["battery"]  # a capital parts words, so case is kept until they are read


def test_several_words_in_a_cell_are_translated_each_by_itself():
    text = "rover_id,latitude,longitude,on_shift,off_shift,skills,breaks\nR1,41,-93,6 AM,8 PM,Tabulators / Mains,12-12:30 PM\n"
    profile = {"kind": "rovers", "values": {"skills": {"scanner": ["tabulators"], "power": ["mains"]}}}
    row = shaped(text, "rovers", profile).good.to_dicts()[0]
    assert row["skills"] == "scanner;power" and row["on_shift"] == "06:00" and row["breaks"] == "12:00-12:30"


def test_a_profile_names_the_mark_between_the_values_of_a_cell():
    head = "site_id,name,aliases,latitude,longitude,opens,closes,expected_voters,checkin_stations,booths\n"
    text = head + "P01,Oxbow Library,Old Mill | The Mill,41,-93,07:00,20:00,500,2,6\n"
    found = shaped(text, "sites", {"kind": "sites", "lists": {"aliases": "|"}})
    assert found.good["aliases"].to_list() == ["Old Mill;The Mill"]


def test_a_profile_brings_numbers_into_our_unit():
    text = "unit_id,type,battery_minutes,charge_at_open\nU1,bmd,4.5,87%\nU2,bmd,,\n"
    found = shaped(text, "units", {"kind": "units", "scale": {"battery_minutes": 60, "charge_at_open": 0.01}}).good
    assert found["battery_minutes"].to_list() == [270, None] and found["charge_at_open"].to_list() == [0.87, None]
