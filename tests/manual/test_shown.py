"""The manual as text, as pages for a browser, and as a screen."""

import json
import re
from pathlib import Path

import pytest
from support.command import busplan
from textual.widgets import Input, Markdown, OptionList

from busplan.demo.files import plan_file
from busplan.errors import UsageError
from busplan.manual.book import Book, Place
from busplan.manual.html import html_files
from busplan.manual.html_form import STYLE
from busplan.manual.page import plain_heading
from busplan.manual.plain import plain_lines
from busplan.manual.written import PICTURES
from busplan.plan.reader import load_plan
from busplan.screens.manual_app import ManualApp, Reader
from busplan.sheets.drawing import drawing


def test_a_page_as_text_keeps_its_words_and_80_columns(book: Book) -> None:
    for page in book.pages.values():
        lines = plain_lines(page.text, 80)
        prose = [line for line in lines if not line.startswith("    ") and " " in line.strip()]
        assert max(map(len, prose)) <= 80, page.name
        assert not any("```" in line for line in lines)
        words = set(
            re.findall(
                r"\w{4,}", plain_heading(re.sub(r"\]\([^)]*\)|^```.*$", "", page.text, flags=re.M))
            )
        )
        assert words <= set(re.findall(r"\w{4,}", plain_heading("\n".join(lines)))), page.name


def test_lists_tables_quotes_and_links_as_text() -> None:
    page = (
        "# A *b* `c`\n\n1. one\n   more\n2. two\n\n> told\n\n- x\n  - y\n\n"
        "| a | b |\n|---|---|\n| 1 | `2` |\n\n[see](other.md#part) ![view](pictures/x.png)\n"
    )
    assert plain_lines(page, 40) == [
        *("A b `c`", "=======", "", "1. one more", "2. two", "", "| told", ""),
        *("- x", "", "  - y", "", "a  b", "1  `2`", "", "see (other#part) [picture: view]"),
    ]


def test_a_table_that_does_not_fit_is_told_row_by_row() -> None:
    page = "| file | holds |\n|---|---|\n| a.log | one two three |\n| b.log | four |\n"
    assert plain_lines(page, 16) == [
        *("file: a.log", "holds: one two", "    three", ""),
        *("file: b.log", "holds: four"),
    ]


def test_words_find_a_place_or_a_list_or_a_hint(book: Book) -> None:
    hits = busplan("manual", "air", "pocket")
    assert hits.code == 0
    assert "heat-gun" in hits.out.splitlines()[0]
    document = json.loads(busplan("manual", "identifier-clash", "--json").out)
    assert (document["page"], document["heading"]) == ("codes-checks", "identifier-clash")
    with pytest.raises(UsageError, match="heat-gun"):
        book.asked(["heat-gum"])
    page = book.asked(["Heat-Gun"])
    assert isinstance(page, Place)
    assert page.text == book.pages["heat-gun"].text


def test_a_search_puts_headings_first(book: Book) -> None:
    links = [hit.link for hit in book.search(["identifier-clash"])]
    assert links[0] == "codes-checks#identifier-clash"
    assert "allot-identifiers#a-clash-between-parts-that-cannot-be-changed" in links
    assert book.search(["LOAD"])[0].section.page == "load"
    assert book.search(["judge", "warm-up"])[0].link == "heat-gun"
    assert book.search(["zzz-nowhere"]) == []


def test_the_folder_for_a_browser_is_whole(book: Book, tmp_path: Path) -> None:
    written = busplan("manual", "--to", tmp_path / "book")
    assert written.code == 0, written.err
    again = busplan("manual", "--to", tmp_path / "book")
    assert again.code == 3
    assert "is already there" in again.err
    ids = {}
    for name, text in html_files(book).items():
        assert (tmp_path / "book" / name).read_text("utf-8") == text
        ids[name] = re.findall(r' id="([^"]+)"', text)
        assert len(ids[name]) == len(set(ids[name])), name
    for name in [n for n in ids if n.endswith(".html")]:
        text = (tmp_path / "book" / name).read_text("utf-8")
        for target in re.findall(r'(?:href|src)="([^"]+)"', text):
            file, _, anchor = target.partition("#")
            assert (tmp_path / "book" / (file or name)).is_file(), (name, target)
            assert not anchor or anchor in ids[file or name], (name, target)
        assert "http" not in re.sub(r"<(p|li|pre)>.*?</\1>", "", text, flags=re.DOTALL)
    index = (tmp_path / "book" / "search-index.js").read_text("utf-8")
    entries = json.loads(index.removeprefix("const ENTRIES = ").rstrip(";\n").replace("<\\/", "</"))
    for link, *_ in entries:
        file, _, anchor = link.partition("#")
        assert not anchor or anchor in ids[file], link


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition of the same name)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_text_stands_out_from_its_ground() -> None:
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1.
    schemes = [dict(re.findall(r"--(\w+): (#\w{6})", part)) for part in STYLE.split("@media")[:2]]
    for scheme in schemes:
        for ink in ("ink", "link", "quiet"):
            for ground in ("page", "soft"):
                pair = sorted((luminance(scheme[ink]), luminance(scheme[ground])))
                assert (pair[1] + 0.05) / (pair[0] + 0.05) >= 4.5, (ink, ground)


def test_the_drawing_is_what_the_program_draws() -> None:
    kept = (PICTURES / "drawing.svg").read_text(encoding="utf-8")
    assert kept == drawing(load_plan(plan_file("as_built")))


async def test_the_screen_lists_searches_and_follows_links(book: Book) -> None:
    app = ManualApp(book)
    async with app.run_test(size=(80, 24)) as pilot:
        listed, reader = app.query_one(OptionList), app.query_one(Reader)
        assert listed.has_focus
        assert not reader.display  # list and page take turns where there is no room for both
        await pilot.press("tab")
        assert reader.display
        assert reader.has_focus
        await pilot.press("tab")
        assert listed.has_focus
        await pilot.resize_terminal(160, 45)
        await pilot.pause()
        assert reader.display
        await pilot.press("slash", *"air pocket", "down")
        assert app.query_one(Input).value == "air pocket"
        assert listed.has_focus
        await pilot.press("slash", "enter")
        await pilot.pause()
        assert app.at.page.name == "heat-gun"
        assert reader.has_focus
        reader.post_message(Markdown.LinkClicked(reader, "how-a-pack-is-judged.md#the-rules"))
        await pilot.pause()
        await pilot.pause()
        assert app.at.page.name == "how-a-pack-is-judged"
        await pilot.pause()
        assert reader.scroll_y > 0  # at the heading: its anchor is made as Textual makes it
        await pilot.press("backspace")
        await pilot.pause()
        assert app.at.page.name == "heat-gun"
        await pilot.press("l")
        assert listed.has_focus
        assert app.query_one(Input).value == ""
