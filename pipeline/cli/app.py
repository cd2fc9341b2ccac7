"""The command line's frame: the app, the options that several commands share, and the clock."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)

BookOption = Annotated[Path, typer.Option("--book", help="The book's folder.")]
ProfileOption = Annotated[
    list[Path] | None,
    typer.Option("--profile", help="TOML: how a county's own export is written; or a folder of them."),
]
AtOption = Annotated[str | None, typer.Option(help="What was known at this time.")]
PageOption = Annotated[Path | None, typer.Option(help="An HTML file; else stdout.")]
TEXT_FORMATS = ("text", "json", "csv")
FormatOption = Annotated[str, typer.Option(help="text, json or csv.")]
OutOption = Annotated[Path | None, typer.Option(help="A file; else stdout.")]


def now() -> datetime:
    """The clock; read here and nowhere else."""
    return datetime.now(UTC)
