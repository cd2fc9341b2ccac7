"""The documents say what the program does: commands, columns, assumptions, links."""

import re
import shlex
import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.main import get_command

from dashboard.reasons import REASONS
from pipeline import run
from pipeline.cli import app
from pipeline.contracts.document import document
from pipeline.contracts.estimates import ESTIMATES
from pipeline.contracts.events import READINGS, TABLES
from pipeline.contracts.feeds import FEEDS
from pipeline.estimates import Answers
from pipeline.settings import ASSUMPTIONS
from pipeline.sources.profile import profile_of
from pipeline.store import read
from pipeline.store.book import Book, open_book

ROOT = Path(__file__).parent.parent
PAGES = sorted(
    [ROOT / "README.md", ROOT / "DEVELOPERS.md", *ROOT.glob("docs/**/*.md"), *ROOT.glob("demo_data/**/*.md")]
)
SOURCES = sorted(p for part in ("pipeline", "dashboard", "demo_data") for p in (ROOT / part).rglob("*.py"))
COMMANDS = dict(get_command(app).commands)  # type: ignore[attr-defined]
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
CODE = re.compile(r"```.*?```|`[^`\n]*`", re.S)
MACHINE = re.compile(r"(?<![\w.)])/(?:work|tmp|home|root|Users|mnt)/\w")
REGISTRY = re.compile(
    r"\b(?:pypi|crates|conda)\.\w+\b|\b(?:registry|files|proxy|index|simple)\.\w+\.(?:org|com|io|dev)\b", re.I
)


def shown(page: Path) -> str:
    return str(page.relative_to(ROOT))


def text_of(name: str) -> str:
    return (ROOT / name).read_text("utf-8")


def options_of(command: str) -> set[str]:
    return {opt for param in COMMANDS[command].params for opt in param.opts} | {"--help"}


def anchors_of(page: Path) -> set[str]:
    heads = re.findall(r"^#+ (.+)$", CODE.sub(lambda m: m[0].replace("#", ""), page.read_text("utf-8")), re.M)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def section(title: str) -> str:
    """One section of docs/DATA.md."""
    found = re.search(rf"^### {re.escape(title)}\n(.*?)(?=^##|\Z)", text_of("docs/DATA.md"), re.M | re.S)
    assert found, f"docs/DATA.md has no section {title}"
    return found[1]


def columns_told(title: str) -> dict[str, str]:
    """Column → meaning, as told in one section of docs/DATA.md."""
    rows = re.findall(r"^\| \**([^|*]+?)\** \| [^|]+ \| ([^|]*) \|$", section(title), re.M)
    return {name: said for name, said in rows if name != "column"}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_that_opens_with_an_example(name: str):
    first = (COMMANDS[name].help or "").split("\n\n")[0]
    assert f"Example: wardbook {name} " in first + " "
    used = set(re.findall(r"--[a-z][\w-]*", first))
    assert used <= options_of(name)


def test_every_example_parses():
    told = re.findall(r"`(?:uv run )?wardbook (\w+ [^`…]+)`", text_of("README.md"))
    helped = [re.search(r"Example: wardbook ([^\n]+)", command.help or "") for command in COMMANDS.values()]
    examples = told + [found[1] for found in helped if found]
    assert len(examples) > 2 * len(COMMANDS)
    for example in examples:
        name, *words = shlex.split(example)
        COMMANDS[name].make_context(name, words)  # raises for what the command line would refuse


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_every_command_is_told_of(name: str, page: str):
    assert re.search(rf"`wardbook {name}\b", text_of(page))


def test_every_command_and_option_in_the_readme_exists():
    rows = re.findall(r"^\| `wardbook (\w+).*$", text_of("README.md"), re.M)
    assert set(rows) == set(COMMANDS)
    for row in re.finditer(r"^\| `wardbook (\w+)(.*)$", text_of("README.md"), re.M):
        assert set(re.findall(r"--[a-z][\w-]*", row[2])) <= options_of(row[1]), row[0]


def test_every_option_has_help():
    silent = [
        f"{name} {param.opts[0]}"
        for name, command in COMMANDS.items()
        for param in command.params
        if not getattr(param, "help", None)
    ]
    assert silent == []


def test_the_readme_opens_with_the_job_and_the_two_commands():
    head, job, *_ = text_of("README.md").split("\n\n")
    assert head == "# Wardbook"
    plain = " ".join(job.split())
    assert "keep every polling place open and its equipment working, from opening to the hand-over of media" in plain
    commands = re.search(r"```\n(.*?)```", text_of("README.md"), re.S)
    assert commands and commands[1].splitlines() == [
        "pip install uv && uv run wardbook demo",
        "pip install uv && uv run pytest",
    ]


def test_the_page_of_columns_is_what_the_models_say():
    again = "uv run python -m pipeline.contracts.document > docs/DATA.md"
    assert text_of("docs/DATA.md") == document() + "\n", f"make it again: {again}"


@pytest.mark.parametrize("what", ESTIMATES)
def test_every_column_of_an_estimate_is_told_of(what: str):
    told = columns_told(f"wardbook estimate {what}")
    assert set(ESTIMATES[what].to_schema().columns) <= set(told)
    assert [name for name, said in told.items() if not said.strip()] == []


def test_every_column_of_a_feed_a_table_and_a_reading_is_told_of():
    logged = columns_told("What the log adds")
    for kind, model in FEEDS.items():
        feed = columns_told(kind)
        assert set(feed) == set(model.to_schema().columns) and all(feed.values()), kind
        known = feed | logged | columns_told(f"{kind} as known at T")
        assert set(known) == set(TABLES[kind].to_schema().columns) and all(known.values()), kind
    for name, reading in READINGS.items():
        told = columns_told(name)
        assert set(told) == set(reading.to_schema().columns) and all(told.values()), name


@pytest.fixture
def small_book(write_day, tmp_path: Path, now: datetime) -> Book:
    run.take([write_day()], tmp_path / "book", now)
    return open_book(tmp_path / "book")


def test_the_books_folder_and_the_logs_columns_and_entry_types_are_told_of(small_book: Book):
    folder, log = re.findall(r"^## (?:The book's folder|The log)\n(.*?)(?=^## )", text_of("docs/DATA.md"), re.M | re.S)
    assert {part.name for part in small_book.folder.iterdir()} == set(re.findall(r"^\| `([\w.]+)/?` \|", folder, re.M))
    first_cells = re.findall(r"^\| `?(\w+)`? \|", log, re.M)
    with read.Snapshot(small_book.published) as snapshot:
        for table in ("log", "heads"):
            assert set(snapshot.con.sql(f"select * from {table} limit 0").columns) <= set(first_cells)
        types = snapshot.con.sql("select distinct type from log").fetchall()
    assert {name for (name,) in types} <= set(first_cells)


def test_the_example_of_a_profile_is_one():
    example = re.search(r"```toml\n(.*?)```", text_of("docs/DATA.md"), re.S)
    assert example and profile_of(tomllib.loads(example[1]), "docs/DATA.md").columns["ticket_id"] == ("Call number",)


def test_no_answer_carries_a_column_that_is_not_told_of(small_book: Book):
    with read.Snapshot(small_book.published) as snapshot:
        rows = read.read_rows(snapshot.con)
    answers = Answers(read.known_at(rows, datetime(2026, 11, 3, 15, 40, tzinfo=UTC)))
    answered = {what: answers.answer(what) for what in ESTIMATES}
    assert answered["lines"].height and answered["tickets"].height and answered["dispatch"].height
    for what, frame in answered.items():
        assert set(frame.columns) <= set(columns_told(f"wardbook estimate {what}")), what


@pytest.mark.parametrize("name", ASSUMPTIONS)
def test_every_assumption_has_unit_meaning_source_and_a_default_within_its_bounds(name: str):
    a = ASSUMPTIONS[name]
    assert a.unit.strip() and a.meaning.strip() and a.source.strip()
    assert a.low <= a.default <= a.high


@pytest.mark.parametrize("page", PAGES, ids=shown)
def test_every_relative_link_leads_to_a_file_and_a_heading(page: Path):
    broken = []
    for link in LINK.findall(CODE.sub("", page.read_text("utf-8"))):
        if re.match(r"[a-z]+:", link):
            continue
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        if not target.exists() or (anchor and anchor not in anchors_of(target)):
            broken.append(link)
    assert broken == []


@pytest.mark.parametrize("page", [*PAGES, *SOURCES, ROOT / "Justfile"], ids=shown)
def test_no_page_or_module_names_a_path_of_a_machine_or_a_registry(page: Path):
    text = page.read_text("utf-8")
    assert MACHINE.findall(text) == [] and REGISTRY.findall(text) == [] and str(ROOT) not in text


def test_every_method_page_is_in_the_index():
    told = set(LINK.findall(text_of("docs/METHODS.md")))
    assert {f"methods/{page.name}" for page in (ROOT / "docs/methods").glob("*.md")} <= told


def test_every_word_of_the_glossary_has_a_meaning_and_a_source():
    rows = [line.strip("|").split("|") for line in text_of("docs/GLOSSARY.md").splitlines() if line.startswith("| ")]
    assert len(rows) > 60
    assert [row for row in rows if len(row) != 3 or not all(cell.strip() for cell in row)] == []


def test_decisions_are_numbered_without_gaps_and_have_three_parts():
    pages = sorted((ROOT / "docs/decisions").glob("*.md"))
    assert [int(page.name[:3]) for page in pages] == list(range(1, len(pages) + 1))
    for page in pages:
        text = page.read_text("utf-8")
        assert text.startswith(f"# {page.name[:3]} ")
        assert re.findall(r"^## (.+)$", text, re.M) == ["Context", "Decision", "Consequences"]


def test_every_estimate_tells_why_and_where_its_method_is_told():
    assert set(REASONS) == set(ESTIMATES)
    assert {reason.page for reason in REASONS.values()} <= {page.stem for page in (ROOT / "docs/methods").glob("*.md")}
