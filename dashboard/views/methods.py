"""How does a figure come about, and where does it stop being true? The pages of docs/, read where they lie."""

import re
from pathlib import Path

import streamlit as st

import dashboard
from dashboard import panels

HERE = Path(dashboard.__file__).parent
DOCS = next(p for p in (HERE.parent / "docs", HERE / "docs") if p.is_dir())  # in a clone, in an installed wheel
PAGES = {"overview": DOCS / "METHODS.md"} | {path.stem: path for path in sorted((DOCS / "methods").glob("*.md"))}
LINK = re.compile(r"(!?)\[([^\]]*)\]\(([^)]*)\)")


def shown_link(found: re.Match[str]) -> str:
    """A link as it works here: to another page of these, or its words alone where it leads elsewhere in the clone."""
    picture, said, target = found.groups()
    stem = Path(target.partition("#")[0]).stem
    if target.startswith("http"):
        return found[0]
    if picture or stem not in PAGES:
        return f"{said} ({Path(target).name})"
    return f"[{said}](methods?of={stem})"


st.title("Methods", anchor=False)
asked = str(st.query_params.get("of") or "overview")
if asked not in PAGES:
    panels.empty(f"There is no page “{asked}”; this is the overview.")
    asked = "overview"
# The board's one heading of the first rank is for the ear only (theme.py), so a page's own is brought to the second.
st.markdown(LINK.sub(shown_link, PAGES[asked].read_text("utf-8").replace("# ", "## ", 1)))
