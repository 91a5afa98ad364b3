"""Every code and weight that the source gives to a finding, read from its syntax trees.

``Finding(...)`` is where a finding is made. A function that passes one of its own parameters on as
the code or weight makes findings too, so its calls are looked at in the same way, by its name. Code
and weight may be written out, chosen by ``a if b else c``, or come from a variable or table that is
written out; whatever else there is cannot be told without running it and is returned as unclear.
"""

import ast
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

PLACES = {"code": 0, "weight": 1}
"""Where ``Finding`` takes them."""


@dataclass
class Uses:
    """What was found: (file, code or weight as written) and the calls nobody can tell."""

    codes: set[tuple[Path, str]] = field(default_factory=set)
    weights: dict[str, set[str]] = field(default_factory=dict)
    compared: set[str] = field(default_factory=set)
    """Codes that ``.code`` of a finding is compared with."""
    unclear: list[str] = field(default_factory=list)


Maker = dict[str, tuple[int, str] | frozenset[str]]
"""Of a function that makes findings: position and name of its parameters, by what they become.

What no parameter decides is there as the texts it can be.
"""


def finding_uses(folder: Path, without: set[str]) -> Uses:
    """All uses in a package; files named in ``without`` (as paths in it) are left out."""
    modules = [
        _Module(path)
        for path in sorted(folder.rglob("*.py"))
        if path.relative_to(folder).as_posix() not in without
    ]
    makers: dict[str, Maker] = {"Finding": {what: (i, what) for what, i in PLACES.items()}}
    while True:
        uses, found = Uses(), dict(makers)
        for module in modules:
            module.look(makers, found, uses)
        if found == makers:
            return uses
        makers = found


class _Module:
    def __init__(self, path: Path) -> None:
        self.path = path
        self.text = path.read_text("utf-8")

    @cached_property
    def tree(self) -> ast.Module:
        return ast.parse(self.text)

    @cached_property
    def inside(self) -> dict[ast.Call, tuple[ast.FunctionDef, ...]]:
        return dict(_functions(self.tree, ()))

    @cached_property
    def compared(self) -> set[str]:
        return set(_compared(self.tree)) if ".code" in self.text else set()

    def known(self, name: str) -> str:
        """The name of a function; one of this module only has the module in front."""
        return f"{self.path}:{name}" if name.startswith("_") else name

    def look(self, makers: dict[str, Maker], found: dict[str, Maker], uses: Uses) -> None:
        uses.compared |= self.compared
        if not any(f"{name.rpartition(':')[2]}(" in self.text for name in makers):
            return
        for call, around in self.inside.items():
            maker = makers.get(self.known(_name(call.func)))
            if maker is None:
                continue
            texts: dict[str, set[str]] = {}
            handed: Maker = {}
            for what, source in maker.items():
                if isinstance(source, frozenset):
                    texts[what] = set(source)
                    continue
                value = _argument(call, *source)
                if value is None:  # another function of that name
                    continue
                place = _parameter(around[-1], value) if around else None
                if place is not None:
                    handed[what] = place
                    continue
                told = self._told(value, around)
                if told is not None:
                    texts[what] = told
                elif what == "code":
                    uses.unclear.append(f"{self.path}:{call.lineno}")
            if "code" in handed:
                fixed = {what: frozenset(told) for what, told in texts.items()}
                found[self.known(around[-1].name)] = {**fixed, **handed}
                continue
            codes, weights = texts.get("code", set()), texts.get("weight", set())
            uses.codes |= {(self.path, code) for code in codes}
            if len(codes) == 1 or len(weights) == 1:  # else nobody knows which go together
                for code in codes if weights else ():
                    uses.weights.setdefault(code, set()).update(weights)

    def _told(self, value: ast.expr, around: tuple[ast.FunctionDef, ...]) -> set[str] | None:
        """The texts (or names of weights) an expression can be; ``None`` when nobody can tell."""
        if isinstance(value, ast.Constant) and isinstance(value.value, str):
            return {value.value}
        if isinstance(value, ast.Attribute) and _name(value.value) == "Weight":
            return {value.attr}
        if isinstance(value, ast.IfExp):
            return _union(self._told(each, around) for each in (value.body, value.orelse))
        if isinstance(value, ast.Subscript):
            table = self._bound(_name(value.value), around)
            entries = [v for t in table if isinstance(t, ast.Dict) for v in t.values]
            if isinstance(value, _Entry):
                entries = [e.elts[value.column] for e in entries if isinstance(e, ast.Tuple)]
            return _union(self._told(each, around) for each in entries) if entries else None
        if isinstance(value, ast.Name):
            values = self._bound(value.id, around)
            return _union(self._told(each, around) for each in values) if values else None
        return None

    def _bound(self, name: str, around: tuple[ast.FunctionDef, ...]) -> list[ast.expr]:
        """What a name is set to in the innermost function that sets it, else in the module."""
        for scope in (*reversed(around), self.tree):
            values = []
            for node in ast.walk(scope):
                if isinstance(node, ast.Assign):
                    values += [v for t in node.targets for v in _parts(t, name, node.value)]
                elif isinstance(node, ast.AnnAssign) and node.value is not None:
                    values += _parts(node.target, name, node.value)
                elif isinstance(node, ast.For) and isinstance(node.iter, ast.Tuple | ast.List):
                    values += [v for e in node.iter.elts for v in _parts(node.target, name, e)]
            if values:
                return values
        return []


def _parts(target: ast.expr, name: str, value: ast.expr) -> list[ast.expr]:
    """What ``name`` becomes when ``value`` is assigned to ``target``."""
    if isinstance(target, ast.Name):
        return [value] if target.id == name else []
    if not isinstance(target, ast.Tuple):
        return []
    names = [t.id if isinstance(t, ast.Name) else "" for t in target.elts]
    if name not in names:
        return []
    if isinstance(value, ast.Tuple) and len(value.elts) == len(names):
        return [value.elts[names.index(name)]]
    if isinstance(value, ast.Subscript):
        # An entry of a table of tuples: what the table itself holds there, by place.
        return [ast.copy_location(_Entry(value.value, names.index(name)), value)]
    return [value]


class _Entry(ast.Subscript):
    """One column of a table whose entries are tuples."""

    def __init__(self, table: ast.expr, column: int) -> None:
        super().__init__(value=table, slice=ast.Constant(column), ctx=ast.Load())
        self.column = column


def _functions(
    node: ast.AST, around: tuple[ast.FunctionDef, ...]
) -> Iterator[tuple[ast.Call, tuple[ast.FunctionDef, ...]]]:
    """Every call, with the functions it stands in, outermost first."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Call):
            yield child, around
        inner = (*around, child) if isinstance(child, ast.FunctionDef) else around
        yield from _functions(child, inner)


def _compared(tree: ast.Module) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare) and getattr(node.left, "attr", "") == "code":
            for other in node.comparators:
                for each in ast.walk(other):
                    if isinstance(each, ast.Constant) and isinstance(each.value, str):
                        yield each.value


def _name(node: ast.expr) -> str:
    return getattr(node, "id", getattr(node, "attr", ""))


def _argument(call: ast.Call, position: int, keyword: str) -> ast.expr | None:
    for given in call.keywords:
        if given.arg == keyword:
            return given.value
    return call.args[position] if position < len(call.args) else None


def _parameter(function: ast.FunctionDef, value: ast.expr) -> tuple[int, str] | None:
    """Position (without ``self``) and name of the parameter that ``value`` is."""
    names = [a.arg for a in (*function.args.posonlyargs, *function.args.args)]
    if names[:1] == ["self"]:
        names = names[1:]
    names += [a.arg for a in function.args.kwonlyargs]
    if isinstance(value, ast.Name) and value.id in names:
        return names.index(value.id), value.id
    return None


def _union(sets: Iterator[set[str] | None]) -> set[str] | None:
    whole: set[str] = set()
    for each in sets:
        if each is None:
            return None
        whole |= each
    return whole
