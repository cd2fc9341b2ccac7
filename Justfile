# The usual commands; `just` lists them. Each works without just, too.

default:
    @just --list

# install everything, as locked
setup:
    uv sync --locked

# play the demo day into a board
demo *options:
    uv run wardbook demo {{options}}

# all tests, or those named
test *what:
    uv run pytest {{what}}

# timings; not part of the tests
bench:
    uv run python tests/benchmarks/intake.py

# format in place
format:
    uv run ruff format .

# what CI checks before the tests
check:
    uv run ruff format --check .
    uv run ruff check .
    uv run mypy

# docs/DATA.md from the models
data:
    uv run python -m pipeline.contracts.document > docs/DATA.md

# the demo day from its simulation, the same bytes every time
day:
    uv run python -m demo_data.simulation

# everything that CI does
ci:
    .ci/run
