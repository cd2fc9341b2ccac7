"""Wardbook: what goes wrong at polling places on election day, from files to decisions.

Data moves one way, and the folders are named in the order in which a row visits them:

sources     a file → rows of text with row numbers and the time of receipt; nothing is interpreted
contracts   the agreed shape of every feed, normalised table and estimate (pandera), and `Known`, what was known at T
normalise   text → typed rows, masked and keyed; free text → sites, units, categories
store       the book: the append-only log, the published snapshot, frames as known at T
estimates   frames → frames with mean, 5 % and 95 % point; pure: no files, no clock
outputs     results → files that people carry away
dashboard   (a package of its own) reads the published snapshot and the estimates; it cannot write

Read `run.py` first: it calls these steps in this order. `cli.py` is the only module that reads the clock.
"""
