"""The columns of one moment used again for the next where they are the same: sessions that show different moments then
hold only what differs between them.
"""

from collections.abc import Mapping
from dataclasses import fields, replace

import polars as pl

from pipeline.contracts.known import Known


class Shared:
    """The frames of the newest moment, by name."""

    def __init__(self) -> None:
        self._last: dict[str, pl.DataFrame] = {}

    def frames(self, new: Mapping[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
        """These frames, with the columns of the frames before wherever they hold the same."""
        found = {name: shared(frame, self._last.get(name)) for name, frame in new.items()}
        self._last |= found
        return found

    def known(self, new: Known) -> Known:
        """The same of what is known."""
        own = {f"known {f.name}": getattr(new, f.name) for f in fields(Known)}
        found = self.frames({name: frame for name, frame in own.items() if isinstance(frame, pl.DataFrame)})
        return replace(new, **{name.removeprefix("known "): frame for name, frame in found.items()})  # type: ignore[arg-type]


def shared(new: pl.DataFrame, old: pl.DataFrame | None) -> pl.DataFrame:
    """The new frame, with the old one's columns wherever they hold the same, type and nulls too."""
    if old is None or old.height != new.height:
        return new
    pairs = [(column, old[column.name] if column.name in old.columns else column) for column in new]
    return pl.DataFrame([before if before.equals(column, check_dtypes=True) else column for column, before in pairs])
