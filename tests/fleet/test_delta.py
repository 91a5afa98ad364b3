"""No row twice and none lost: commits by compare-and-set.

Source of the rule: Delta transaction log protocol, transaction identifiers (from memory). What is
in the table is read back by deltalake itself.
"""

import subprocess
import sys
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from deltalake import DeltaTable

from busplan.fleet.delta import StoreError, Table
from busplan.fleet.place import Place

SCHEMA = pa.schema([("key", pa.string()), ("who", pa.string()), ("vehicle", pa.string())])


def table_in(folder: Path) -> Table:
    table = Table(Place(folder), "rows", SCHEMA, "key", "vehicle")
    assert table.open(make=True)
    return table


def row(key: str, who: str = "a") -> dict[str, str]:
    return {"key": key, "who": who, "vehicle": "v 1 ü"}


WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, "tests/fleet")
from test_delta import table_in, row
table = table_in(Path(sys.argv[1]))
for number in range(12):
    table.add([row(f"{number}", sys.argv[2]), row(f"{number}-{sys.argv[2]}", sys.argv[2])])
"""


def test_two_processes_that_add_the_same_keys_add_each_once(tmp_path: Path) -> None:
    running = [
        subprocess.Popen([sys.executable, "-c", WRITER, tmp_path, name]) for name in ("one", "two")
    ]
    assert [process.wait() for process in running] == [0, 0]
    keys = DeltaTable(tmp_path / "rows").to_pyarrow_table()["key"].to_pylist()
    wanted = [str(n) for n in range(12)] + [f"{n}-{w}" for n in range(12) for w in ("one", "two")]
    assert sorted(keys) == sorted(wanted)


def test_a_known_key_is_left_out_or_replaced_in_one_commit(tmp_path: Path) -> None:
    table = table_in(tmp_path)
    assert table.add([row("1"), row("2")]) == 2
    assert table.add([row("2", "b"), row("3", "b")]) == 1
    before = DeltaTable(tmp_path / "rows").version()
    assert table.add([row("1", "c"), row("4", "c")], replace=True) == 2
    assert DeltaTable(tmp_path / "rows").version() == before + 1
    # The number by which any two commits conflict, whatever the library retries.
    assert DeltaTable(tmp_path / "rows").transaction_version("busplan") == 3
    told = {r["key"]: r["who"] for r in table.rows().to_pylist()}
    assert told == {"1": "c", "2": "a", "3": "b", "4": "c"}
    assert table.known(["1", "9"]) == {"1"}
    assert table.remove("key", ["1", "it's none"]) == 1
    assert table.compact(0)[1] == 1
    assert sorted(table.rows(["key"])["key"].to_pylist()) == ["2", "3", "4"]


def test_a_table_that_another_makes_at_the_same_moment_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from deltalake.exceptions import DeltaError

    make = DeltaTable.create
    there = True

    def late(*given: Any, **named: Any) -> DeltaTable:
        if there:
            make(*given, **named)
        raise DeltaError("version 0 already exists")

    monkeypatch.setattr(DeltaTable, "create", late)
    assert table_in(tmp_path / "a").add([row("1")]) == 1
    there = False
    with pytest.raises(StoreError, match="version 0"):
        table_in(tmp_path / "b")


def test_only_a_lost_race_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from deltalake.exceptions import CommitFailedError

    table = table_in(tmp_path)
    table.add([row("1")])
    tried = []

    def refuses(*_: object, **__: object) -> None:
        tried.append(1)
        raise CommitFailedError("no room")

    monkeypatch.setattr("deltalake.write_deltalake", refuses)
    with pytest.raises(StoreError, match="no room"):
        table.add([row("2")])
    assert len(tried) == 1


def test_a_race_lost_to_another_is_looked_at_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = table_in(tmp_path)
    table.add([row("1")])
    opened = table.open

    def late(*, make: bool = False) -> DeltaTable | None:
        # Another writer commits between opening the table and committing to it.
        found = opened(make=make)
        monkeypatch.setattr(table, "open", opened)
        table_in(tmp_path).add([row("2", "other"), row("5", "other")])
        return found

    monkeypatch.setattr(table, "open", late)
    assert table.add([row("2", "mine"), row("3", "mine")]) == 1
    told = {r["key"]: r["who"] for r in table.rows().to_pylist()}
    assert told == {"1": "a", "2": "other", "3": "mine", "5": "other"}
