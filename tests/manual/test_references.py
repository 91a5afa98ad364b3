"""Everything that a plan, a finding, a call or a script may say stands in a reference."""

import re

import busplan
from busplan.board.meanings import MEANINGS as BOARD_MEANINGS
from busplan.board.spec import BoardSpec, FileSpec, LimitSpec, TileSpec
from busplan.cli.app import COMMANDS
from busplan.finding_codes import CODES, page_for
from busplan.manual.book import Book
from busplan.manual.facts import Facts
from busplan.plan.json_schema import plan_schema
from busplan.plan.meanings import MEANINGS


def headings(book: Book, start: str) -> set[tuple[str, str]]:
    """Pages whose name begins so, with their headings."""
    return {
        (page.name, section.heading)
        for page in book.pages.values()
        if page.name.startswith(start)
        for section in page.sections
    }


def test_every_key_of_a_plan_has_a_meaning_and_stands_in_its_section(book: Book) -> None:
    schema = plan_schema()
    tables = {name: set(table["properties"]) for name, table in schema["$defs"].items()}
    assert {name: set(keys) for name, keys in MEANINGS.items()} == tables
    told = {heading for _, heading in headings(book, "plan-")}
    assert set().union(*tables.values()) <= told
    for name in schema["properties"]:
        assert len(book.pages[f"plan-{name}"].sections) > 2, name
    for words in (text for keys in MEANINGS.values() for text in keys.values()):
        assert words == words.strip().rstrip("."), words


def test_every_key_of_the_file_of_boards_has_a_meaning(book: Book) -> None:
    models = (FileSpec, LimitSpec, BoardSpec, TileSpec)
    keys = {model.__name__: set(model.model_fields) for model in models}
    assert {name: set(told) for name, told in BOARD_MEANINGS.items()} == keys
    told = {heading for _, heading in headings(book, "board-file")}
    assert set().union(*keys.values()) <= told


def test_every_code_stands_on_the_page_of_its_room_and_names_a_page_that_helps(book: Book) -> None:
    told = headings(book, "codes-")
    for code, entry in CODES.items():
        assert (f"codes-{entry.room}", code) in told
        assert page_for(entry) in book.pages
        place = book.place(code)
        assert place is not None
        assert f"({page_for(entry)}.md)" in place.text


def test_every_command_and_option_has_its_heading(book: Book, facts: Facts) -> None:
    assert [command.name for command in facts.commands] == list(COMMANDS)
    for command in facts.commands:
        told = {section.heading for section in book.pages[command.name].sections}
        every = [p for one in (command, *command.below) for p in one.parameters]
        assert every or command.name == "schema"
        for parameter in every:
            assert " or ".join(parameter.names) in told, (command.name, parameter.names)
            assert parameter.help, (command.name, parameter.names)


def test_every_public_name_has_its_heading(book: Book) -> None:
    told = {section.heading for section in book.pages["python"].sections}
    assert set(busplan.__all__) <= told


def test_a_key_and_an_option_are_found_by_name_alone(book: Book) -> None:
    limit = book.place("load_limit")
    assert limit is not None
    assert "planned frames may take" in limit.text
    assert "Must be a fraction above 0" in limit.text
    assert "Must be" not in limit.text.split("Must be", 1)[1]  # that key alone
    option = book.place("--find-bit-rate")
    assert option is not None
    assert option.page.name == "bench"
    assert book.place("cycle_ms") is None  # of several tables: a search lists them
    assert {"plan-message", "plan-route"} <= {h.section.page for h in book.search(["cycle_ms"])}


def test_published_sources_of_the_code_stand_on_their_page(book: Book) -> None:
    from pathlib import Path

    page = book.pages["sources"].text
    standard = re.compile(
        r"\b(?:ISO \d{4,5}(?:-\d+)?|SAE J\d{4}(?:-\d+)?|CiA \d{3}(?:-\d)?|IEC \d{5}(?:-\d)?"
        r"|UN R\d+|EEMUA \d+|IEEE \d+)"
    )
    paper = re.compile(r"\b[A-Z][A-Z. ]*\. ([A-Z]\w+)(?= and [A-Z]\.|, \")")
    missing = set()
    for file in Path(busplan.__file__).parent.rglob("*.py"):
        text = re.sub(r"\s+", " ", file.read_text(encoding="utf-8"))
        for found in (*standard.findall(text), *paper.findall(text)):
            if found not in page:
                missing.add(f"{file.name}: {found}")
    assert not missing
