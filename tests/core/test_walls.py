"""Walls that no import contract can see: which files reach the world outside, and how big they are.

The middle takes values and gives values. What it needs from a disk, a clock or a terminal, an edge
or one of the doors below fetches for it.
"""

import ast
import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "busplan"
EDGES = {"cli", "screens", "demo", "live", "capture", "face", "fleet"}
"""Rooms that may: terminals, scripts, buses, the readers and store of captures, and of fleets."""
DOORS = {
    "allot/beside.py": "lets two solvers work at once, each on a thread",
    "allot/quiet.py": "keeps a notice of the solver's library out of standard output",
    "board/board_file.py": "reads the file of boards, and writes it where the screen edits it",
    "compiled_files.py": "finds and removes what numba keeps",
    "definitions/source.py": "opens definition files",
    "files.py": "opens ordinary files only, and reads no more than they may hold",
    "plan/reader.py": "opens plan files",
    "manual/written.py": "reads the pages of the manual",
    "commission/journal_file.py": "appends to the journal a user names, and reads it",
    "export/values.py": "writes decoded values to the file a user names",
    "report/figures.py": "takes pictures from matplotlib through a file in memory",
    "kernels.py": "reads its own source, to know when compiled code is out of date",
    "wire/bit_timing.py": "looks for one module of python-can, to import it alone",
}
"""Files of the middle that may all the same, each with its one reason."""

CALLS = {"open", "print", "input", "exec", "eval", "breakpoint"}
METHODS = {
    *("open", "read_text", "read_bytes", "write_text", "write_bytes", "mkdir", "unlink", "touch"),
    *("rename", "rmdir", "chmod", "stat", "lstat", "exists", "is_file", "is_dir", "iterdir"),
    *("glob", "rglob", "samefile", "expanduser", "home", "cwd", "now", "today", "utcnow"),
    *("to_csv", "to_parquet", "savefig", "tofile", "savez", "loadtxt", "fromfile", "memmap"),
}
"""Methods of paths, dates and libraries that reach a disk or a clock."""
ATTRIBUTES = {
    "sys": {"stdin", "stdout", "stderr", "argv", "exit"},
    "time": {
        *("time", "time_ns", "monotonic", "monotonic_ns", "perf_counter", "perf_counter_ns"),
        *("process_time", "sleep", "localtime", "gmtime"),
    },
}
MODULES = {
    *("os", "io", "shutil", "tempfile", "socket", "subprocess", "threading", "asyncio", "logging"),
    *("getpass", "platform", "locale", "random", "secrets", "uuid", "signal", "webbrowser"),
    *("urllib", "http", "multiprocessing", "concurrent", "mmap", "glob", "gzip", "time"),
}
"""Modules that the middle has no use for at all."""


def reaches_out(source: str) -> Iterator[str]:
    """What in a file reaches a disk, a terminal or a clock, with its line."""
    for node in ast.walk(ast.parse(source)):
        match node:
            case ast.Call(func=ast.Name(id=name)) if name in CALLS:
                yield f"line {node.lineno}: {name}()"
            case ast.Attribute(value=ast.Name(id=module), attr=name) if name in ATTRIBUTES.get(
                module, ()
            ):
                yield f"line {node.lineno}: {module}.{name}"
            case ast.Call(func=ast.Attribute(attr=name)) if name in METHODS:
                yield f"line {node.lineno}: .{name}()"
            case ast.Import(names=names):
                for alias in names:
                    if alias.name.partition(".")[0] in MODULES:
                        yield f"line {node.lineno}: import {alias.name}"
            case ast.ImportFrom(module=str(module), names=names):
                if module.partition(".")[0] in MODULES:
                    yield f"line {node.lineno}: from {module}"
                for alias in names:
                    if alias.name in ATTRIBUTES.get(module, ()):
                        yield f"line {node.lineno}: from {module} import {alias.name}"


def middle() -> Iterator[Path]:
    """The package's files outside the edges."""
    for path in sorted(PACKAGE.rglob("*.py")):
        if path.relative_to(PACKAGE).parts[0] not in EDGES:
            yield path


def test_the_middle_opens_no_file_prints_nothing_and_asks_no_clock() -> None:
    found = [
        f"{name}, {what}"
        for path in middle()
        if (name := path.relative_to(PACKAGE).as_posix()) not in DOORS
        for what in reaches_out(path.read_text(encoding="utf-8"))
    ]
    assert not found, "\n".join(found)


def test_every_door_is_one() -> None:
    for name in DOORS:
        assert list(reaches_out((PACKAGE / name).read_text(encoding="utf-8"))), name


@pytest.mark.parametrize(
    "line",
    [
        "open('x')",
        "print(1)",
        "input()",
        "Path(p).read_text()",
        "folder.is_dir()",
        "sys.stdout.write('x')",
        "import os",
        "import os.path",
        "from os import getpid",
        "from time import monotonic",
        "import time",
        "datetime.now()",
        "date.today()",
        "frame.to_csv('x')",
        "from sys import stdout",
        "import urllib.request",
    ],
)
def test_each_way_out_is_seen(line: str) -> None:
    assert list(reaches_out(f"def f(x, p):\n    {line}\n"))


def test_what_only_speaks_of_files_is_no_way_out() -> None:
    harmless = (
        "from pathlib import Path\nfrom datetime import datetime\nx = Path(a).name\nsys.byteorder"
    )
    assert not list(reaches_out(harmless))


def layers_of_the_contract() -> list[set[str]]:
    """Rooms line by line, as the import contract has them."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = project["tool"]["importlinter"]["contracts"]
    (layers,) = [c["layers"] for c in contracts if c["type"] == "layers"]
    return [set(re.findall(r"\w+", line)) for line in layers if line != "__main__"]


def test_the_picture_is_the_contract() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    picture = guide.partition("## The map")[2].split("```")[1]
    joined = re.sub(r"·\s*\n\s+", "· ", picture.strip())
    drawn = [set(re.sub(r"^\w+\s\s+", "", line).split()) - {"·"} for line in joined.splitlines()]
    assert drawn == layers_of_the_contract()


def test_the_guide_names_files_that_are_there() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:[a-z_.]+/)*[a-z_]+\.(?:py|json|toml|md))`", guide))
    assert len(named) > 20
    there = [p.as_posix() for top in (PACKAGE, ROOT / "tests") for p in top.rglob("*.*")]
    there.append((ROOT / "pyproject.toml").as_posix())
    assert not {n for n in named if not any(p.endswith(f"/{n}") for p in there)}


def test_every_room_has_its_line() -> None:
    inside = {
        p.stem for p in PACKAGE.iterdir() if (p / "__init__.py").exists() or p.suffix == ".py"
    }
    assert inside - {"__init__", "__main__"} <= set().union(*layers_of_the_contract())


def sources() -> list[Path]:
    """Every Python file that git knows or would take; all but build folders without git."""
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", "*.py"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if listed.returncode == 0:
        return [path for name in listed.stdout.split() if (path := ROOT / name).is_file()]
    return [p for folder in ("busplan", "tests") for p in (ROOT / folder).rglob("*.py")]


def test_no_file_is_longer_than_400_lines() -> None:
    long = {
        path.relative_to(ROOT).as_posix(): lines
        for path in sources()
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 400
    }
    assert not long


def calls(source: str) -> Iterator[tuple[int, str, int]]:
    """Line, name and number of positional arguments of every call without a starred one."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and not any(isinstance(a, ast.Starred) for a in node.args):
            yield node.lineno, ast.unparse(node.func).rpartition(".")[2], len(node.args)


def test_a_call_with_eight_arguments_names_them() -> None:
    # Compiled functions take their columns by position.
    kernels = {
        name
        for path in (*PACKAGE.rglob("*kernel*.py"), PACKAGE / "timing" / "fixed_point.py")
        for name in re.findall(r"^def (\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    found = [
        f"{path.relative_to(ROOT)}:{line}: {name} with {count}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for line, name, count in calls(path.read_text(encoding="utf-8"))
        if count >= 8 and name not in kernels
    ]
    assert not found, "\n".join(found)


KIND_OF_COLUMN = re.compile(r"^ *\w+ = npt\.NDArray\[((?:np\.)?\w+)\]$", re.M)


def test_the_kinds_of_columns_are_named_in_one_file() -> None:
    home = PACKAGE / "frames/columns.py"
    named = set(KIND_OF_COLUMN.findall(home.read_text(encoding="utf-8")))
    assert {"np.float64", "np.int32", "np.bool_", "Any"} <= named
    again = {
        str(path.relative_to(PACKAGE)): twice
        for path in PACKAGE.rglob("*.py")
        if path != home
        and (twice := named & set(KIND_OF_COLUMN.findall(path.read_text(encoding="utf-8"))))
    }
    assert again == {}


def unquoted_keys(source: str) -> Iterator[str]:
    """Values put into a heading of TOML, ``[network.{...}``, as they are."""
    for found in ast.walk(ast.parse(source)):
        if not isinstance(found, ast.JoinedStr):
            continue
        before = ""
        for part in found.values:
            if isinstance(part, ast.Constant):
                before += str(part.value)
                continue
            value = part.value if isinstance(part, ast.FormattedValue) else part
            by = value.func if isinstance(value, ast.Call) else None
            quotes = isinstance(by, ast.Name) and by.id in {"key_text", "quoted"}
            if re.search(r"\[[a-z_]+\.([^\[\]]*\.)?[\"']?$", before) and (
                not quotes or before[-1] != "."
            ):
                yield ast.unparse(value)
            before += "_"


def test_names_in_headings_of_toml_are_quoted_where_they_must_be() -> None:
    for path in sorted(PACKAGE.rglob("*.py")):
        assert not list(unquoted_keys(path.read_text("utf-8"))), path


@pytest.mark.parametrize(
    "line",
    [
        'f"State it in [network.{name}.cable]."',
        'f"[[part.{key_text(a)}.port.{port}.message]]"',
        "f'[message.\"{stream.label}\"]'",
        "f'[message.\"{key_text(label)}\"]'",
        '("see [node." f"{node}]")',
    ],
)
def test_each_unquoted_heading_is_seen(line: str) -> None:
    assert list(unquoted_keys(line))


def test_a_quoted_heading_and_other_brackets_are_none() -> None:
    assert not list(unquoted_keys('f"[part.{key_text(a)}.port.{key_text(b)}] {c} [0.{d}]"'))
