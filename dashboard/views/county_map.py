"""Where is what at stake?"""

import streamlit as st

from dashboard import charts, figures, panels, theme, words

picture = panels.shown()
st.title("Map", anchor=False)
stakes = figures.stakes(picture)
rovers = figures.rover_places(picture)
if stakes.is_empty():
    panels.empty("No site is known yet: the roster has not been received.")
else:
    drawn = charts.county_map(stakes, rovers, theme.palette(), 520)
    panels.chart(drawn, "Map of the sites by what is at stake; the table below says the same.")
    panels.markup(
        '<p class="small">Each dot is a site: its area the voters expected today, its shade the voter-minutes at risk '
        "in the next hour (the larger of what open tickets put at risk and what the lines will cost). A ring: a unit "
        "there is off mains. Blue squares are rovers, dashed their next leg. North is up; there is no street map.</p>"
    )
    st.subheader("The same as a table", anchor=False)
    panels.frame(
        [
            {
                "Site": row["name"],
                "Id": row["site_id"],
                "Voter-minutes at risk, next hour": round(row["stake"]),
                "People waiting, median": None if row["waiting"] is None else round(row["waiting"]),
                "Wait of a newcomer, min": None if row["wait"] is None else round(row["wait"]),
                "Open tickets": row["tickets"],
                "Units on battery": row["battery"],
                "Units dark": row["dark"],
                "Circuit": row["circuit"],
                "Voters expected": round(row["expected_voters"]),
            }
            for row in stakes.iter_rows(named=True)
        ],
        "map-table",
    )
    st.subheader("Rovers", anchor=False)
    if not rovers:
        panels.empty("No rover is in the roster.")
    else:
        panels.table(
            ("Rover", "Doing", "Last known place", "Since", "Next leg to"),
            [
                (
                    r["rover_id"],
                    r["doing"],
                    r["place"],
                    words.clock(r["since"], picture.zone, picture.at) if r["since"] else "start of shift",
                    r["to"] or "no stop proposed",
                )
                for r in rovers
            ],
        )
