"""Line numbers of TOML keys, held against the standard library's own reading of the same text."""

import tomllib
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from busplan.plan.locate import KeyPath, key_lines, line_of, show_path

TEXT = """\
# a comment with [brackets] and "quotes"
title = "a # is no comment here"
[network.drive]
bit_rate = 500_000
stubs_m = { inverter = 0.3, "odd name" = 1.0 }   # inline
channels = [
  "can0",  # first
  "can1",
]
cable.trunk_m = 6.0
text = \"\"\"
[not.a.table]
x = 1
\"\"\"
literal = '''[[nor.this]]'''

[[route]]
from = "a"
[[route]]
from = "b"
[route.inner]
x = [ { y = 1 },
      { y = 2 } ]
[message."thermal/PumpStatus"]
deadline_ms = 100
['literal.key']
1979-05-27 = 1979-05-27T07:32:00Z
"""


def paths(value: Any, path: KeyPath = ()) -> set[KeyPath]:
    found = {path} if path else set()
    if isinstance(value, dict):
        for key, inner in value.items():
            found |= paths(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            found |= paths(inner, (*path, index))
    return found


def test_every_key_has_its_line() -> None:
    lines = key_lines(TEXT)
    assert set(lines) == paths(tomllib.loads(TEXT))
    assert lines["network", "drive", "bit_rate"] == 4
    assert lines["network", "drive", "stubs_m", "odd name"] == 5
    assert lines["network", "drive", "channels", 1] == 8
    assert lines["network", "drive", "cable", "trunk_m"] == 10
    assert lines["route", 1] == 19
    assert lines["route", 1, "inner", "x", 1, "y"] == 23
    assert lines["message", "thermal/PumpStatus", "deadline_ms"] == 25
    assert lines["literal.key", "1979-05-27"] == 27


def test_windows_line_ends_count_once() -> None:
    assert key_lines("a = 1\r\nb = 2\r\n")["b",] == 2


def test_a_missing_key_is_placed_at_its_table() -> None:
    assert line_of(key_lines(TEXT), ("route", 1, "through")) == 19


def test_paths_read_well() -> None:
    assert show_path(("route", 1, "from")) == "route #2.from"
    assert show_path(("message", "a/b", "cycle_ms")) == 'message."a/b".cycle_ms'


keys = st.text("ab-_1", min_size=1, max_size=3) | st.sampled_from(["x y", "é", "a.b", '"', "#"])
leaves = st.integers(-9, 9) | st.booleans() | st.text("a#[]{}=,'\\\" \n", max_size=6)
values = st.recursive(
    leaves,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3),
    max_leaves=8,
)


def quoted(text: str) -> str:
    table = {"\\": "\\\\", '"': '\\"', "\n": "\\n"}
    return '"' + "".join(table.get(c, c) for c in text) + '"'


def written(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, list):
        return "[\n" + "".join(f"{written(v)}, # ]\n" for v in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{quoted(k)} = {written(v)}" for k, v in value.items()) + "}"
    return str(value)


@given(st.lists(st.tuples(keys, st.dictionaries(keys, values, max_size=3)), max_size=4))
@settings(max_examples=60)
def test_any_text_gets_every_key(tables: list[tuple[str, dict[str, Any]]]) -> None:
    text = ""
    for name, pairs in tables:
        text += f"[[ {quoted(name)} ]]  # [\n"
        text += "".join(f"{quoted(k)}= {written(v)}\n" for k, v in pairs.items())
    assert set(key_lines(text)) == paths(tomllib.loads(text))
