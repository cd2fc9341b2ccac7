"""The estimates: a question is answered from what was known.

Every function here is pure: frames in, frame out; no file, no clock, no randomness but what is seeded from
the county, the election day and the site.

`Answers` and `LinesThen` are loaded when they are first asked for: what they stand on takes seconds, and neither the
intake nor the first page of the board needs it.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.estimates.answers import Answers, LinesThen

__all__ = ["Answers", "LinesThen"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        return getattr(import_module("pipeline.estimates.answers"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
