"""The county's own map file, drawn beneath the map."""

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

OUTLINE = "map.geojson"  # in the book's folder: a border, roads; drawn beneath the map
LARGEST_OUTLINE = 5_000_000  # of that file [bytes]; more would slow every open map: our choice


@lru_cache(maxsize=2)
def outline(folder: str) -> tuple[list[dict[str, Any]], str | None]:
    """The features of the county's own map file, and why there are none if it cannot be used."""
    path = Path(folder) / OUTLINE
    if not path.exists():
        return [], None
    if path.stat().st_size > LARGEST_OUTLINE:
        return [], f"{OUTLINE} is larger than {LARGEST_OUTLINE / 1e6:.0f} MB and is left out. Simplify it."
    try:
        found = json.loads(path.read_text("utf-8"))
        features = found["features"] if found.get("type") == "FeatureCollection" else [found]
        return [f for f in features if isinstance(f, dict) and f.get("type")], None
    except (ValueError, KeyError, TypeError, AttributeError, OSError) as error:
        return [], f"{OUTLINE} cannot be read ({type(error).__name__}). Export it as GeoJSON in degrees."
