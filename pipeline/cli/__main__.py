"""`python -m pipeline.cli`."""

from pipeline.cli import main

main()
