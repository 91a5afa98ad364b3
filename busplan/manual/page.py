"""A page of the manual and its sections; anchors are made the same way everywhere."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property

_HEADING = re.compile(r"(#{1,6}) +(.+?) *")
_MARKS = str.maketrans("", "", "`\\")


def anchor_of(heading: str) -> str:
    """What a link to a heading ends with, as code hosts and Textual make it: ``one-frame``."""
    kept = re.sub(r"[^\w\- ]", "", heading.translate(_MARKS).lower())
    return kept.strip().replace(" ", "-")


def plain_heading(heading: str) -> str:
    """A heading without its marks."""
    return re.sub(r"\\(.)", r"\1", heading).replace("`", "")


def plain_text(markdown: str) -> str:
    """Running text without its marks, of links only what is shown."""
    return plain_heading(re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", markdown)).replace("**", "")


def escaped_markdown(text: str) -> str:
    """Text of the code as Markdown that shows exactly it."""
    return re.sub(r"([\\`*_\[\]<>|#~])", r"\\\1", text)


@dataclass(frozen=True, slots=True)
class Section:
    """A heading of a page and what stands below it, up to the next heading of any kind."""

    page: str
    heading: str
    level: int
    text: str

    @property
    def anchor(self) -> str:
        """Where it is in its page; empty for the title."""
        return anchor_of(self.heading) if self.level > 1 else ""


@dataclass(frozen=True)
class Page:
    """One page: its name, the group it is listed in, and its Markdown."""

    name: str
    group: str
    text: str

    @cached_property
    def sections(self) -> tuple[Section, ...]:
        """Its sections in order; the first holds the title."""
        found: list[tuple[int, str, list[str]]] = []
        fenced = False
        for line in self.text.splitlines():
            fenced ^= line.lstrip().startswith("```")
            heading = None if fenced else _HEADING.fullmatch(line)
            if heading:
                found.append((len(heading[1]), plain_heading(heading[2]), []))
            elif found:
                found[-1][2].append(line)
        return tuple(
            Section(self.name, heading, level, "\n".join(lines).strip())
            for level, heading, lines in found
        )

    @property
    def title(self) -> str:
        """Its first heading."""
        return self.sections[0].heading

    def part(self, anchor: str) -> str:
        """The Markdown from a heading to the next one that is as high; all of it without one."""
        inside: list[str] = []
        level = 0
        for section in self.sections:
            if level and section.level <= level:
                break
            if level or section.anchor == anchor:
                level = level or section.level
                inside += [f"{'#' * section.level} {escaped_markdown(section.heading)}"]
                inside += ["", section.text, ""]
        return "\n".join(inside) if inside else self.text
