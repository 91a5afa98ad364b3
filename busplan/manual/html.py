"""The manual as HTML that works from a folder: no request, and a search without a server."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from typing import TYPE_CHECKING

from busplan.manual.book import Book
from busplan.manual.html_form import PAGE, SCRIPT, STYLE
from busplan.manual.page import Page, anchor_of, plain_text
from busplan.manual.plain import parser
from busplan.version import __version__
from busplan.wording import CAUTION

if TYPE_CHECKING:
    from markdown_it.token import Token

INDEX = "index"
LONGEST_ENTRY = 2_000
"""Characters of a section that are searched in the browser."""


def html_files(book: Book) -> dict[str, str]:
    """Every file by its name: a page each, the list of contents, the style, the search."""
    from jinja2 import Environment
    from markupsafe import Markup

    template = Environment(autoescape=True).from_string(PAGE)
    groups = [(name, pages) for name, pages in book.groups()]
    contents = Page(INDEX, "", book.contents)

    def rendered(page: Page) -> str:
        return template.render(
            page=page,
            body=Markup(_body(page.text)),  # made here from our own Markdown, without HTML in it
            groups=groups,
            caution=CAUTION,
            version=__version__,
        )

    files = {f"{page.name}.html": rendered(page) for page in (contents, *book.pages.values())}
    return files | {"style.css": STYLE, "search.js": SCRIPT, "search-index.js": _index(book)}


def _body(markdown: str) -> str:
    read = parser()
    tokens = read.parse(markdown)
    seen: dict[str, int] = {}
    for heading, inline in pairwise(tokens):
        if heading.type == "heading_open":
            anchor = anchor_of(inline.content)
            times = seen[anchor] = seen.get(anchor, -1) + 1
            heading.attrSet("id", f"{anchor}-{times}" if times else anchor)
    for token in tokens:
        for child in token.children or ():
            _lead(child)
    html: str = read.renderer.render(tokens, read.options, {})
    return html.replace("<table>", '<div class="wide"><table>').replace(
        "</table>", "</table></div>"
    )


def _lead(token: Token) -> None:
    """Links from page to page lead to the files of this folder."""
    target = token.attrGet("href")
    if token.type == "link_open" and isinstance(target, str):
        token.attrSet("href", re.sub(r"^([\w-]+)\.md(?=#|$)", r"\1.html", target))


def _index(book: Book) -> str:
    """What the search looks through, as a script: a file may not be fetched from a file."""
    entries = [
        [
            f"{section.page}.html{'#' + section.anchor if section.anchor else ''}",
            page.title,
            section.heading,
            plain_text(" ".join(section.text.split()))[:LONGEST_ENTRY],
        ]
        for page in book.pages.values()
        for section in page.sections
    ]
    # In a script "</" could end it, were it ever put into a page.
    return f"const ENTRIES = {json.dumps(entries, ensure_ascii=False)};\n".replace("</", "<\\/")
