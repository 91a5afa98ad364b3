"""A plan's text with changes in it: comments, order and layout of what stays are kept.

The rules of this file: the text is read by tomlkit, which keeps all that is not a value; what it
gives back is read again, and must hold exactly the document that was wanted. Changes are told as
documents, before and after, so that whoever changes a plan needs to know nothing of its text.
"""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from collections.abc import Mapping, MutableMapping, Sequence
from difflib import SequenceMatcher
from typing import Any, TypeGuard

from busplan.errors import UsageError

Document = Mapping[str, Any]

IN_HEXADECIMAL = frozenset({"identifier", "identifier_offset", "source_address", "flow_control"})
"""Keys whose numbers the trade writes in hexadecimal."""


def edited(text: str, after: Document) -> str:
    """The text of a plan changed to hold the document ``after``.

    ``text`` must be valid TOML. What is new stands behind its kind. :class:`UsageError` when the
    text is laid out so that the change cannot be written into it.
    """
    before = tomllib.loads(text)
    if before == after:
        return text
    result = _in_sections(text, before, after) or _edited(text, before, after)
    if result is None:
        raise UsageError(
            "the change cannot be written into this file with its comments kept; edit it by hand"
        )
    return result


def _edited(text: str, before: Document, after: Document) -> str | None:
    """The text changed, ``None`` when that does not give what was wanted."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
        _apply(document, before, after)
        result: str = tomlkit.dumps(document)
        return result if tomllib.loads(result) == after else None
    except (TOMLKitError, tomllib.TOMLDecodeError, ValueError, KeyError):
        return None


def _in_sections(text: str, before: Document, after: Document) -> str | None:
    """The text with only those tables read and changed that differ: a plan can be long.

    ``None`` where a table comes, goes or stands in several places.
    """
    changed = {k for k in {*before, *after} if before.get(k) != after.get(k)}
    fine = all(_same_names(before.get(k), after.get(k)) for k in changed)
    pieces = _pieces(text, fine=fine)
    often = Counter(path for path, _ in pieces)
    result, left = [], set(changed)
    for path, piece in pieces:
        old, new = _at(before, path), _at(after, path)
        if path and path[0] in changed and old != new:
            left.discard(path[0])
            edited_piece = None if often[path] > 1 else _edited(piece, old, new)
            if edited_piece is None:
                return None
            piece = edited_piece
        result.append(piece)
    joined = "".join(result)
    try:
        return joined if not left and tomllib.loads(joined) == after else None
    except tomllib.TOMLDecodeError:
        return None


def _same_names(old: Any, new: Any) -> bool:
    """Whether both are tables of the same named tables."""
    return (
        isinstance(old, dict)
        and isinstance(new, dict)
        and old.keys() == new.keys()
        and all(isinstance(v, dict) for v in (*old.values(), *new.values()))
    )


def _at(document: Document, path: tuple[str, ...]) -> Document:
    """The document with only what stands at a path of one or two names."""
    if not path or path[0] not in document:
        return {}
    inside = document[path[0]]
    if len(path) == 1:
        return {path[0]: inside}
    there = isinstance(inside, dict) and path[1] in inside
    return {path[0]: {path[1]: inside[path[1]]}} if there else {}


_NAME = r"""[ \t]*(?:"([^"\\]*)"|'([^']*)'|([A-Za-z0-9_-]+))[ \t]*"""
_HEADER = re.compile(rf"[ \t]*\[\[?{_NAME}(?:\.{_NAME})?")


def _pieces(text: str, *, fine: bool) -> list[tuple[tuple[str, ...], str]]:
    """Pieces of the text by the first name in the headers of their tables, or, ``fine``, by the
    first two, in order."""
    pieces: list[tuple[tuple[str, ...], list[str]]] = [((), [])]
    for line in text.splitlines(keepends=True):
        header = _HEADER.match(line)
        if header is not None:
            names = [n for n in header.groups() if n is not None][: 1 + fine]
            if tuple(names) != pieces[-1][0]:
                pieces.append((tuple(names), []))
        pieces[-1][1].append(line)
    return [(path, "".join(lines)) for path, lines in pieces]


def _apply(into: MutableMapping[str, Any], before: Document, after: Document) -> None:
    for key in before:
        if key not in after:
            _remove(into, key)
    for key, value in after.items():
        old = before.get(key)
        if key in before and _same(old, value):
            continue
        if isinstance(old, dict) and isinstance(value, dict):
            _apply(into[key], old, value)
        elif _is_tables(old) and _is_tables(value):
            _apply_tables(into[key], old, value)
        elif key in before or not isinstance(value, dict):
            into[key] = _item(key, value)
        else:
            _add(into, key, value)


def _same(one: Any, other: Any) -> bool:
    """Equal, also in kind: 1 and true, or 1 and 1.0, are different things to write."""
    return type(one) is type(other) and bool(one == other)


def _is_tables(value: Any) -> TypeGuard[list[dict[str, Any]]]:
    return isinstance(value, list) and bool(value) and all(isinstance(v, dict) for v in value)


def _apply_tables(into: Any, before: Sequence[Document], after: Sequence[Document]) -> None:
    """Entries of a list of tables: those that stay keep their text, wherever they stand."""
    texts = (list(map(repr, before)), list(map(repr, after)))
    steps = SequenceMatcher(None, texts[0], texts[1], autojunk=False).get_opcodes()
    for step, first, last, start, stop in reversed(steps):
        if step == "equal":
            continue
        both = min(last - first, stop - start)
        for i in range(last - 1, first + both - 1, -1):
            tail = _tail(into[i])
            del into[i]
            if i and "#" in tail:
                _end_with(into[i - 1], tail.lstrip("\n"))
        for n, entry in enumerate(after[start + both : stop]):
            here = first + both + n
            new = _item("", entry)
            if here == len(into) and here:
                _hand_over(into[here - 1], new)
            into.insert(here, new)
        for i in range(both):
            _apply(into[first + i], before[first + i], after[start + i])


def _remove(into: MutableMapping[str, Any], key: str) -> None:
    """Take a value or table out; comments behind a table are those of what comes next."""
    from tomlkit.items import Whitespace

    item, body = into[key], _body(into)
    place = next((i for i, (_, one) in enumerate(body) if one is item), None)
    tail = _tail(item)
    del into[key]
    if "#" in tail and place is not None:
        body[place] = (None, Whitespace(tail.lstrip("\n")))


def _add(into: MutableMapping[str, Any], key: str, value: Document) -> None:
    """Put a table in behind its kind, before the comments of what comes next."""
    new = _item(key, value)
    keyed = [item for name, item in _body(into) if name is not None]
    if keyed:
        _hand_over(keyed[-1], new)
    into[key] = new


def _hand_over(old: Any, new: Any) -> None:
    """Let what stands behind the last line of ``old`` stand behind that of ``new``."""
    tail = _tail(old)
    _end_with(old, "\n")
    _end_with(new, tail or "\n")


def _tail(item: Any) -> str:
    """Blank lines and comments behind the last line of a table, taken out of it."""
    taken = ""
    body = _last_body(item)
    while body and body[-1][0] is None:
        taken = body.pop()[1].as_string() + taken
    return taken


def _end_with(item: Any, text: str) -> None:
    from tomlkit.items import Whitespace

    if text:
        _last_body(item).append((None, Whitespace(text)))


def _last_body(item: Any) -> list[Any]:
    """What a table holds, or the last table in it; nothing for what is no table of its own."""
    from tomlkit.items import AoT, Table

    while True:
        if isinstance(item, AoT) and len(item):
            item = item[-1]
        if not isinstance(item, Table):
            return []
        keyed = [one for name, one in _body(item) if name is not None]
        if not keyed or not isinstance(keyed[-1], Table | AoT):
            return _body(item)
        item = keyed[-1]


def _body(table: Any) -> list[Any]:
    """Keys and items of a table, a document or neither, as they stand."""
    from tomlkit.container import Container
    from tomlkit.items import Table

    if isinstance(table, Table):
        table = table.value
    return table.body if isinstance(table, Container) else []


def _item(key: str, value: Any) -> Any:
    """A value as a new item; identifiers in hexadecimal, lists of tables as tables of their own."""
    import tomlkit
    from tomlkit.items import Integer, Trivia

    if key in IN_HEXADECIMAL and type(value) is int and value >= 0:
        return Integer(value, Trivia(), f"0x{value:X}")
    if isinstance(value, dict):
        table = tomlkit.table()
        for name, one in value.items():
            table.append(name, _item(name, one))
        return table
    if _is_tables(value):
        tables = tomlkit.aot()
        for entry in value:
            tables.append(_item("", entry))
        return tables
    return tomlkit.item(value)
