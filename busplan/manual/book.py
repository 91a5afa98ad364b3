"""The whole manual: its pages by name, and finding what somebody asks for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from busplan.errors import UsageError
from busplan.manual.facts import Facts
from busplan.manual.page import Page, Section, plain_text
from busplan.manual.reference import reference_pages
from busplan.manual.written import written_pages

MOST_HITS = 40
"""Places that a search tells."""


@dataclass(frozen=True, slots=True)
class Place:
    """A page, or a heading in it."""

    page: Page
    anchor: str = ""

    @property
    def text(self) -> str:
        """Its Markdown."""
        return self.page.part(self.anchor) if self.anchor else self.page.text


@dataclass(frozen=True, slots=True)
class Hit:
    """A section that holds all words asked for, and a line of it that shows them."""

    section: Section
    title: str
    line: str

    @property
    def link(self) -> str:
        """Page and anchor, as links have it without the ending of a file."""
        anchor = self.section.anchor
        return f"{self.section.page}#{anchor}" if anchor else self.section.page


class Book:
    """Every page of the manual."""

    def __init__(self, facts: Facts) -> None:
        self.pages = {page.name: page for page in (*written_pages(), *reference_pages(facts))}

    @cached_property
    def _sections(self) -> list[tuple[Section, str]]:
        return [
            (section, plain_text(f"{section.heading}\n{section.text}").lower())
            for page in self.pages.values()
            for section in page.sections
        ]

    def groups(self) -> Iterator[tuple[str, list[Page]]]:
        """The list of contents: groups with their pages."""
        names = dict.fromkeys(page.group for page in self.pages.values())
        for name in names:
            yield name, [page for page in self.pages.values() if page.group == name]

    def place(self, asked: str) -> Place | None:
        """The page of that name (``page#heading`` too), or the one heading that says just that."""
        name, _, anchor = asked.partition("#")
        page = self.pages.get(name.lower().removesuffix(".md"))
        if page is not None:
            known = any(section.anchor == anchor for section in page.sections)
            return Place(page, anchor if known else "")
        headed = [s for s, _ in self._sections if asked.lower() in _entry_names(s.heading)]
        return Place(self.pages[headed[0].page], headed[0].anchor) if len(headed) == 1 else None

    def search(self, words: Sequence[str]) -> list[Hit]:
        """Sections that hold all the words, those whose heading does first."""
        wanted = [word.lower() for word in words if word.strip()]
        if not wanted:
            return []
        found: list[tuple[int, Hit]] = []
        for section, text in self._sections:
            if all(word in text for word in wanted):
                title = self.pages[section.page].title
                rank = _rank(section, title, wanted)
                found.append((rank, Hit(section, title, _line_with(section.text, wanted))))
        found.sort(key=lambda one: one[0])  # stable: within a rank in the order of the book
        return [hit for _, hit in found[:MOST_HITS]]

    def asked(self, words: Sequence[str]) -> Place | list[Hit]:
        """What ``busplan manual WORD...`` means: one place, else what a search finds.

        Raises :class:`UsageError` when there is neither.
        """
        place = self.place(" ".join(words))
        if place is not None:
            return place
        hits = self.search(words)
        if not hits:
            from busplan.plan.problems import near_miss

            names = {s.heading for s, _ in self._sections} | set(self.pages)
            hint = near_miss(" ".join(words), names) or "; busplan manual lists its pages"
            raise UsageError(f'nothing in the manual says "{" ".join(words)}"{hint}')
        return hits

    @property
    def contents(self) -> str:
        """The list of contents as Markdown."""
        lines = ["# The manual of busplan", ""]
        for group, pages in self.groups():
            lines += [f"## {group}", ""]
            lines += [f"- [{page.title}]({page.name}.md)" for page in pages]
            lines += [""]
        return "\n".join(lines)


def _entry_names(heading: str) -> set[str]:
    """What a heading may be asked by: ``--out`` or ``-o`` for ``--out or -o``."""
    whole = heading.lower()
    return {whole, *whole.split(" or ")}


def _rank(section: Section, title: str, wanted: Sequence[str]) -> int:
    heading, asked = section.heading.lower(), " ".join(wanted)
    if section.level == 1 and section.page == asked:
        return -1
    if heading == asked:
        return 0
    if all(word in heading for word in wanted):
        return 1 if section.level == 1 else 2
    return 3 if any(word in f"{title} {heading}".lower() for word in wanted) else 4


def _line_with(text: str, wanted: Sequence[str]) -> str:
    """The line of a section that holds most of the words."""
    lines = [plain_text(t) for t in text.splitlines() if t.strip() and not t.startswith("```")]
    return max(lines, key=lambda t: sum(w in t.lower() for w in wanted), default="").strip()
