"""Exports of systems that take voice messages: telephone numbers and numbers of messages beside what was said."""

from collections.abc import Callable

import polars as pl

Taking = Callable[..., tuple[dict, pl.DataFrame]]
TEXTS = (
    "The scanner in the hall pulls two sheets at a time and stops",
    "Nobody here has a key for the side door and it is locked",
    "We have about a dozen pens left and would like some more",
    "Tablet at the second table keeps asking for a password after a restart",
)


def table(header: list[str], rows: list[list[str]], mark: str) -> bytes:
    """A delimited file, as it would come."""
    return pl.DataFrame(rows, schema=header, orient="row").write_csv(separator=mark).encode()


def test_voice_messages_with_telephone_numbers_and_what_was_heard(taking: Taking):
    header = [
        "Msg #",
        "Rcvd",
        "Duration (s)",
        "Caller ID",
        "Left By",
        "Spoken Words",
        "Listened",
        "Listened At",
        "Place",
    ]
    rows = [
        ["1041", "11/03/2026 06:52 AM", "34", "555-0143", "Ada Pell", TEXTS[0], "Y", "11/03/2026 06:55 AM", "Oxbow"],
        ["1042", "11/03/2026 07:10 AM", "21", "555-0117", "", TEXTS[1], "N", "", "Marlpit"],
        ["1043", "11/03/2026 07:31 AM", "48", "555-0143", "Ada Pell", TEXTS[2], "N", "", "Oxbow"],
        ["1044", "11/03/2026 08:02 AM", "15", "555-0171", "Jon Reave", TEXTS[3], "Y", "11/03/2026 08:20 AM", "Vintner"],
        ["1045", "11/03/2026 08:04 AM", "19", "555-0122", "", TEXTS[0], "Y", "11/03/2026 08:25 AM", "Oxbow"],
        ["1046", "11/03/2026 08:09 AM", "22", "555-0180", "Mae Orr", TEXTS[2], "N", "", "Oxbow"],
    ]
    profile, logged = taking(table(header, rows, ","), "messages.csv", "tickets")
    placed = profile["columns"]
    assert (placed["ticket_id"], placed["text"], placed["site"]) == ("Msg #", "Spoken Words", "Place")
    assert placed["caller"] in ("Caller ID", "Left By")  # either says who called
    assert logged["status"].to_list() == ["assigned", "open", "open", "assigned", "assigned", "open"]


def test_voice_messages_whose_numbers_are_written_without_marks(taking: Taking):
    header = ["VoicemailID", "Mailbox", "From Number", "From Name", "Date/Time Left", "Length", "Message Text", "State"]
    header += ["Picked Up", "Callback Completed", "Agent Notes", "Site"]
    start, done = "2026-11-03 07:09:00", "2026-11-03 07:44:00"
    rows = [
        ["VM-0007", "Hotline", "5550102", "R. Tolland", "2026-11-03 07:04:11", "0:41", TEXTS[0], "Handled"]
        + [start, done, "Told them to open the side door", "Oxbow"],
        ["VM-0008", "Hotline", "5550138", "", "2026-11-03 07:20:45", "0:12", TEXTS[1], "New", "", "", "", "Marlpit"],
        ["VM-0009", "Hotline", "5550102", "R. Tolland", "2026-11-03 07:39:02", "0:19", TEXTS[2], "Heard"]
        + ["2026-11-03 07:41:10", "", "", "Oxbow"],
    ]
    profile, logged = taking(table(header, rows, ";"), "messages.csv", "tickets")
    assert profile["columns"] == {
        "ticket_id": "VoicemailID",
        "opened_at": "Date/Time Left",
        "site": "Site",
        "caller": "From Name",
        "text": "Message Text",
        "status": "State",
        "assigned_at": "Picked Up",
        "resolved_at": "Callback Completed",
        "resolution": "Agent Notes",
    }
    assert logged["status"].to_list() == ["resolved", "open", "assigned"]


def test_telephone_numbers_under_a_name_that_says_id_are_who_called(taking: Taking):
    header = ["Line ID", "Caller ID", "Logged", "Where", "Words", "State"]
    rows = [
        ["A1", "555-0143", "2026-11-03 07:04", "Oxbow", TEXTS[0], "open"],
        ["A2", "555-0117", "2026-11-03 07:20", "Marlpit", TEXTS[1], "open"],
    ]
    profile, _ = taking(table(header, rows, ","), "calls.csv", "tickets")
    assert profile["columns"]["ticket_id"] == "Line ID" and profile["columns"]["caller"] == "Caller ID"
