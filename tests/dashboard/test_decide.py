"""What must be decided next."""

from dashboard import decide
from dashboard.items import PEOPLE

TICKETS = (
    "ticket_id,opened_at,site,text,status,resolved_at\n"
    "T1,2026-11-03T07:50:00,Alder Street Hall,a wire is down and sparking at the door,{}\n"
    "T2,2026-11-03T08:10:00,Alder Street Hall,calling back about the wire that is down: it still sparks at the door,open,\n"
)


def test_danger_told_again_is_one_line(picture_of):
    (line,) = decide.dangers(picture_of(tickets=TICKETS.format("open,")))
    assert line.rank == PEOPLE and "T1" in line.what


def test_danger_told_again_stands_in_the_list_once_the_first_call_is_closed(picture_of):
    shown = picture_of(tickets=TICKETS.format("resolved,2026-11-03T08:00:00"))
    assert shown.answer("tickets").filter(ticket_id="T2")["same_as"].to_list() == ["T1"]
    (line,) = decide.dangers(shown)
    assert "T2" in line.what
