"""The flow shows in the imports: a module leans on what stands to its left, never on what stands to its right."""

import ast
from pathlib import Path

import pytest

import pipeline

ROOT = Path(pipeline.__file__).parent.parent
ORDER = (
    "errors",
    "compiled",
    "settings",
    "contracts",
    "sources",
    "normalise",
    "store",
    "estimates",
    "outputs",
    "run",
    "beside",
    "watch",
    "board",
    "demo",
    "shell",
    "cli",
)
# `contracts` and `settings` may be leant on from everywhere; between the two, contracts.known names the settings.
MODULES = sorted(p.relative_to(ROOT) for p in (ROOT / "pipeline").rglob("*.py"))


def place(dotted: str) -> int:
    """Where a module stands in the flow."""
    parts = dotted.split(".")
    return ORDER.index(parts[1]) if len(parts) > 1 else -1


def imported(path: Path) -> set[str]:
    """Our own modules that a file imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse((ROOT / path).read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found |= {
                f"{node.module}.{alias.name}" if node.module == "pipeline" else node.module for alias in node.names
            }
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {name for name in found if name.split(".")[0] in ("pipeline", "dashboard")}


@pytest.mark.parametrize("path", [m for m in MODULES if len(m.parts) > 2 or m.stem != "__init__"], ids=str)
def test_a_module_imports_from_its_left(path: Path):
    own = place(".".join(path.with_suffix("").parts))
    for name in imported(path):
        if name.startswith("dashboard"):
            assert path.stem == "board", f"{path} leans on the board"
        else:
            assert place(name) <= own, f"{path} leans on {name}, which stands to its right"


def test_only_the_command_line_reads_the_clock():
    readers = [str(m) for m in MODULES if "datetime.now(" in (ROOT / m).read_text("utf-8")]
    assert readers == ["pipeline/cli/app.py"]


def test_the_board_does_not_write():
    for path in (ROOT / "dashboard").rglob("*.py"):
        names = imported(path.relative_to(ROOT))
        writers = {
            "pipeline.run",
            "pipeline.watch",
            "pipeline.store.intake",
            "pipeline.store.publish",
            "pipeline.store.log",
        }
        assert not names & writers, path
