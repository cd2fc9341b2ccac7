"""The commands; the only part that reads the clock. Results go to stdout, messages to stderr."""

import sys

# Each of these modules adds its commands to the app; help lists them in this order.
from pipeline.cli import grading, intake, planning, questions, serving  # noqa: F401
from pipeline.cli.app import app
from pipeline.errors import WardbookError
from pipeline.shell import messages


def main() -> None:
    """The command line's entry: one sentence for what goes wrong, and the contract's exit status."""
    try:
        app()
    except WardbookError as error:
        messages.print(str(error), markup=False)
        sys.exit(error.exit_status)
    except KeyboardInterrupt:
        messages.print("Stopped.")
        sys.exit(130)
    except BrokenPipeError:
        sys.exit(0)
