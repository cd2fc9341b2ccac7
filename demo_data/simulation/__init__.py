"""The demo day's simulation: voters, equipment, a hotline and its rovers, and the feeds they leave behind.

`cast` and `places` say who is there, `staged` what happens on purpose, `engine` runs the day, `hotline` answers the
calls (`voices`) and `power_desk` writes its notes, `evening` closes and carries, `feeds` writes the files.
`python -m demo_data.simulation` makes the day again.
"""
