"""What the pages speak of is there: commands, options, keys, codes, pages, pictures, links.

Whatever stands as code in running text must be of one of the kinds below.
"""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.manual_blocks import blocks

import busplan
from busplan.board.meanings import MEANINGS as BOARD_MEANINGS
from busplan.cli.app import COMMANDS
from busplan.finding_codes import CODES
from busplan.manual.book import Book
from busplan.manual.facts import Facts
from busplan.manual.page import Page
from busplan.manual.written import CONTENTS, FOLDER, PICTURES
from busplan.plan.json_schema import plan_schema
from busplan.plan.meanings import MEANINGS
from busplan.plan.ready import READY

ROOT = Path(__file__).parents[2]
WRITTEN = [name for names in CONTENTS.values() for name in names]
KEYS = {key for table in (*MEANINGS.values(), *BOARD_MEANINGS.values()) for key in table}
SECTIONS = set(plan_schema()["properties"])
OTHER = {
    *("keys.toml", "screens.json", "asleep", ".", "KIND", "MORE", "can0", "schema"),
    *("pandas.concat", "read_capture", "to_frame()", 'attrs["units"]', "help(busplan)", "code"),
    *("BUSPLAN_CACHE_DIR", "NUMBA_CACHE_DIR", "import busplan", "pip install asammdf"),
    *(
        "s3://BUCKET/NAME",
        "fleet-s3",
        "record --plan",
        "pip install matplotlib",
        "pip wheel . -w wheels",
        "wheels",
        "records",
        "sheets",
    ),
    *(
        "enter",
        "tab",
        "escape",
        "B",
        "e",
        "m",
        "7",
        "1",
        "?",
        "/",
        "q",
        "+",
        "!",
        "ctrl+s",
        "space",
        "# seen",
        "# guess",
    ),
    *("# gap",),
}
"""Code that is none of the kinds below, each as it stands in a page."""


def spans(text: str) -> Iterator[str]:
    """Code in the running text of a page."""
    plain = re.sub(r"^```.*?^```$", "", text, flags=re.MULTILINE | re.DOTALL)
    for found in re.findall(r"``?([^`]+?)``?", plain):
        yield " ".join(found.split())


def calls(text: str) -> Iterator[str]:
    """Every call of busplan in a page, run or not."""
    for block in blocks(text):
        if block.language == "console":
            for call, _ in block.calls():
                yield from re.findall(r"busplan [^;|>&]+", call)
    for span in spans(text):
        if re.match(r"busplan( |$)", span):
            yield span


def options_of(facts: Facts) -> dict[str, set[str]]:
    return {
        command.name: {
            n for one in (command, *command.below) for p in one.parameters for n in p.names
        }
        for command in facts.commands
    }


def wrong_call(call: str, options: dict[str, set[str]]) -> str | None:
    """What is wrong in a call as it is written, with CAPITALS for what the user puts in."""
    words = shlex.split(call.partition(" > ")[0])[1:]
    if not words or words[0].startswith("-") or words[0] == "COMMAND":
        known = {"--help", "--version", "--install-completion", "--show-completion"}
        return next((w for w in words if w.startswith("-") and w not in known), None)
    command, *rest = words
    if command not in options:
        return command
    given = {w.partition("=")[0] for w in rest if re.match(r"--?[a-z]", w)}
    return next(iter(given - options[command] - {"--help"}), None)


def is_known(span: str, page: Page, facts: Facts, book: Book) -> bool:
    options = set().union(*options_of(facts).values())
    if re.match(r"busplan( |$)", span) or span in OTHER or span in CODES or span in book.pages:
        return True
    if span in COMMANDS or span in SECTIONS or span in READY:
        return True
    key = span.partition(" = ")[0].partition("=")[0].strip()
    if key in KEYS or key.removeprefix("@") in KEYS:
        return True
    if span.startswith("-"):
        return span.split()[0].partition("=")[0] in options | {"--help"}
    if re.fullmatch(r"\[+[\w.\"/ ]+\]+", span):
        parts = re.findall(r"[a-z_]+", span)
        return all(p in KEYS | SECTIONS | {"network"} for p in parts)
    if span.startswith(("busplan.", "c.", "v.")):
        return span.partition("(")[0].split(".")[1] in {*busplan.__all__}
    if re.fullmatch(r"[\w/*.~-]+\.(toml|dbc|log|gz|html|csv|json|parquet|journal|db|sha256)", span):
        return True
    # What stands in a block of the same page, or in a plan of the demo, is shown there.
    shown = "".join(block.text for block in blocks(page.text))
    demo = "".join(
        (ROOT / "dbc_examples" / f"{name}.toml").read_text(encoding="utf-8")
        for name in ("as_built", "as_bought")
    )
    return span in shown or span in demo


@pytest.mark.parametrize("name", WRITTEN)
def test_a_page_speaks_of_nothing_that_is_not_there(name: str, book: Book, facts: Facts) -> None:
    page = book.pages[name]
    options = options_of(facts)
    wrong = [f"{call}: {what}" for call in calls(page.text) if (what := wrong_call(call, options))]
    wrong += [span for span in spans(page.text) if not is_known(span, page, facts, book)]
    for block in blocks(page.text):
        if block.language == "toml" and "pump_1" not in block.no_run:
            keys = re.findall(r"^\s*(\w+) = ", block.text, re.MULTILINE)
            known = KEYS | {"fan_on", "message", "values", "every_ms"}
            wrong += [f"key {k}" for k in keys if k not in known]
    assert not wrong


def test_what_is_not_there_is_seen(book: Book, facts: Facts) -> None:
    page = Page("x", "", "")
    for span in ("load_limits", "--findings", "identifier-crash", "[network.NAME.cables]"):
        assert not is_known(span, page, facts, book), span
    options = options_of(facts)
    assert wrong_call("busplan chek PLAN", options) == "chek"
    assert wrong_call("busplan check PLAN --breif", options) == "--breif"
    assert wrong_call("busplan check PLAN --brief", options) is None


def test_readme_and_pages_lead_somewhere(book: Book, facts: Facts) -> None:
    broken = []
    for page in book.pages.values():
        for target in re.findall(r"\]\(([^)\s]+)\)", page.text):
            name, _, anchor = target.partition("#")
            if target.startswith("pictures/"):
                there = (FOLDER / target).is_file()
            else:
                other = book.pages.get(name.removesuffix(".md")) if name else page
                there = other is not None and (
                    not anchor or any(s.anchor == anchor for s in other.sections)
                )
            if not there:
                broken.append(f"{page.name}: {target}")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)\s]+)\)", readme)
    assert len(targets) > 10
    broken += [t for t in targets if not (ROOT / t).is_file()]
    options = options_of(facts)
    broken += [c for c in calls(readme) if wrong_call(c, options)]
    assert not broken


def test_every_page_and_picture_that_lies_there_is_shown(book: Book) -> None:
    assert {p.stem for p in FOLDER.glob("*.md")} == set(WRITTEN)
    told = "".join(page.text for page in book.pages.values())
    for picture in PICTURES.iterdir():
        assert f"(pictures/{picture.name})" in told, picture.name


def test_every_command_is_spoken_of_in_a_written_page(book: Book) -> None:
    told = "\n".join(book.pages[name].text for name in WRITTEN)
    assert {n for n in COMMANDS if not re.search(rf"busplan {n}\b|`{n}`", told)} == set()
