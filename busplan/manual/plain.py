"""A page as lines of plain text, for where there is no terminal application."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from busplan.text.runs import wrapped
from busplan.text.table import table_lines

if TYPE_CHECKING:
    from markdown_it import MarkdownIt
    from markdown_it.token import Token

_UNDER = {1: "=", 2: "-"}
CODE = "    "


def parser() -> MarkdownIt:
    """What reads the manual's Markdown: CommonMark with tables, and no HTML of anybody's."""
    from markdown_it import MarkdownIt

    return MarkdownIt("commonmark", {"html": False}).enable("table")


def plain_lines(markdown: str, columns: int) -> list[str]:
    """A page in at most ``columns`` characters; code and tables keep their lines."""
    lines = _blocks(_Reader(parser().parse(markdown)), columns, "")
    while lines and not lines[-1]:
        lines.pop()
    return lines


class _Reader:
    """Tokens, one after the other."""

    def __init__(self, tokens: Sequence[Token]) -> None:
        self._tokens = tokens
        self._at = 0

    def __iter__(self) -> _Reader:
        return self

    def __next__(self) -> Token:
        if self._at >= len(self._tokens):
            raise StopIteration
        self._at += 1
        return self._tokens[self._at - 1]


def _blocks(reader: _Reader, columns: int, end: str, indent: str = "") -> list[str]:
    """Lines of the blocks up to the token ``end``."""
    lines: list[str] = []
    number = 0
    for token in reader:
        if token.type == end:
            break
        if token.type == "heading_open":
            lines += _heading(_text(next(reader).children), int(token.tag[1]), columns)
        elif token.type == "inline":
            lines += wrapped(_text(token.children), columns, first=indent, rest=indent)
            lines += [""]
        elif token.type in ("fence", "code_block"):
            lines += [f"{indent}{CODE}{line}".rstrip() for line in token.content.splitlines()]
            lines += [""]
        elif token.type in ("ordered_list_open", "bullet_list_open"):
            number = int(token.attrGet("start") or 1) if token.type.startswith("ordered") else 0
        elif token.type == "list_item_open":
            lines += _item(reader, columns, indent, f"{number}. " if number else "- ")
            number += bool(number)
        elif token.type.endswith("list_close"):
            lines += [""]
        elif token.type == "blockquote_open":
            inner = _blocks(reader, columns - 2, "blockquote_close")
            lines += [f"{indent}| {line}".rstrip() for line in inner[:-1]] + [""]
        elif token.type == "table_open":
            lines += [indent + line for line in _table(reader, columns)] + [""]
        elif token.type == "hr":
            lines += ["-" * min(columns, 40), ""]
    return lines


def _heading(text: str, level: int, columns: int) -> list[str]:
    lines = wrapped(text, columns)
    under = [_UNDER[level] * max(map(len, lines))] if level in _UNDER else []
    return [*lines, *under, ""]


def _item(reader: _Reader, columns: int, indent: str, mark: str) -> list[str]:
    inner = indent + " " * len(mark)
    lines = _blocks(reader, columns, "list_item_close", inner)
    while lines and not lines[-1]:
        lines.pop()
    first = lines[0] if lines else inner
    return [indent + mark + first[len(inner) :], *lines[1:]]


def _table(reader: _Reader, columns: int) -> list[str]:
    rows: list[list[str]] = []
    for token in reader:
        if token.type == "table_close":
            break
        if token.type == "tr_open":
            rows.append([])
        elif token.type == "inline":
            rows[-1].append(_text(token.children))
    lines = table_lines(rows[0], rows[1:], columns)
    if max(map(len, lines)) <= columns:
        return lines
    out: list[str] = []
    for row in rows[1:]:
        for name, cell in zip(rows[0], row, strict=True):
            lead = f"{name}: " if name else ""
            out += wrapped(cell, columns, first=lead, rest="    ")
        out.append("")
    return out[:-1]


def _text(tokens: Iterable[Token] | None) -> str:
    """Running text: code keeps its marks, a link is followed by where it leads."""
    out: list[str] = []
    targets: list[tuple[str, int]] = []
    for token in tokens or ():
        if token.type == "text":
            out.append(token.content)
        elif token.type == "code_inline":
            out.append(f"`{token.content}`")
        elif token.type in ("softbreak", "hardbreak"):
            out.append(" ")
        elif token.type == "image":
            out.append(f"[picture: {_text(token.children)}]")
        elif token.type == "link_open":
            targets.append((str(token.attrGet("href") or ""), len(out)))
        elif token.type == "link_close":
            target, start = targets.pop()
            name = target.replace(".md", "")
            if "".join(out[start:]) != name:
                out.append(f" ({name})")
    return "".join(out)
