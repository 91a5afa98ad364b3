"""Figures read straight from data files are those that the rows hold, whatever the files are."""

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from deltalake import WriterProperties, write_deltalake
from support import made_rows

from busplan.fleet import desk as desks
from busplan.fleet.catalogue import Fleet
from busplan.fleet.desk import opened
from busplan.fleet.grids import read_lists
from busplan.fleet.questions import Asked, answered

ASKED = {
    "drift": Asked(),
    "baseline": Asked(),
    "cell": Asked("53"),
    "module": Asked("M3"),
    "part": Asked("monitor"),
}


def changed(table: pa.Table, **columns: pa.Array) -> pa.Table:
    """The table with other columns of the same names."""
    for name, column in columns.items():
        table = table.set_column(table.schema.get_field_index(name), name, column)
    return table


def test_lists_are_those_of_the_rows_in_any_order_over_files_and_groups(tmp_path: Path) -> None:
    # pyarrow's own rows are the reference.
    kind = pa.struct([("name", pa.list_(pa.string())), ("value", pa.list_(pa.float64()))])
    rng = np.random.default_rng(1)
    rows: list[dict[str, list[object]] | None] = []
    for _ in range(40):
        width = int(rng.integers(0, 4))
        value = [None if rng.random() < 0.2 else float(rng.normal()) for _ in range(width)]
        rows.append({"name": list("abcd"[:width]), "value": list(value)})
    rows[7] = None
    files = [str(tmp_path / f"{n}.parquet") for n in range(2)]
    for file, mine in zip(files, (rows[:23], rows[23:]), strict=True):
        pq.write_table(pa.table({"part": pa.array(mine, kind)}), file, row_group_size=5)
    order = rng.permutation(40)[:31]
    wanted = pa.table({"file": 1 + (order >= 23), "row": np.where(order >= 23, order - 23, order)})
    told = read_lists(files, wanted, "part", ["name", "value"])
    for column, lists in told.items():
        for at, row in enumerate(order):
            found = lists.flat[lists.start[at] :][: lists.length[at]].tolist()
            mine = [np.nan if v is None else v for v in (rows[row] or {column: []})[column]]
            assert found == pytest.approx(mine, nan_ok=True) if column == "value" else found == mine
    three = np.flatnonzero(told["value"].length == 3)
    assert told["value"].grid(three, 3).shape == (len(three), 3)


def test_a_large_fleet_is_answered_as_a_small_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fleet = Fleet.at(str(tmp_path / "fleet"), make=True)
    small = WriterProperties(max_row_group_size=16)
    for number, vehicle in enumerate(("van-2", "van-1")):
        table = made_rows.judgements(vehicle, 50, number, drift={53: 0.6} if number else {})
        # Halves in files of their own, the later one first; and what was judged otherwise before.
        for part in (table.slice(25), table.slice(0, 25)):
            write_deltalake(fleet.judgements.uri, part, mode="append", writer_properties=small)
        before = changed(
            made_rows.judgements(vehicle, 50, 9),
            engine=pa.array([0] * 50, pa.int32()),
            run_key=pa.array([f"{vehicle}{n:o>58}" for n in range(50)]),
        )
        write_deltalake(fleet.judgements.uri, before, mode="append")
    fleet.signals.add(made_rows.signal_rows())
    fleet.captures.add([made_rows.capture_row(v) for v in ("van-1", "van-2")])
    told = []
    for most in (desks.MOST_AT_ONCE, 0):
        monkeypatch.setattr(desks, "MOST_AT_ONCE", most)
        with opened(fleet) as desk:
            told.append({q: answered(desk, q, asked) for q, asked in ASKED.items()})
    for question in ASKED:
        first, second = (each[question] for each in told)
        assert first.table.num_rows > 0
        assert first.table.equals(second.table), question
        assert first.says == second.says
    assert told[1]["drift"].table.select(["vehicle", "cell"]).to_pylist() == [
        {"vehicle": "van-1", "cell": "53"}
    ]


def test_captures_of_another_pack_are_left_out(tmp_path: Path) -> None:
    fleet = Fleet.at(str(tmp_path / "fleet"), make=True)
    now = made_rows.judgements("van-1", 20, 0)
    old = made_rows.judgements("van-1", 10, 1, days=5.0)
    # The same number of cells by other names: another plan.
    cells = old["cells"].combine_chunks()
    names = pa.ListArray.from_arrays(
        cells.field("cell").offsets, pa.array(np.asarray(cells.field("cell").values) + 100)
    )
    fields = [cells.type.field(n) for n in range(cells.type.num_fields)]
    arrays = [names if f.name == "cell" else cells.field(f.name) for f in fields]
    old = changed(
        old,
        cells=pa.StructArray.from_arrays(arrays, fields=fields),
        plan_id=pa.array(["q" * 64] * 10),
        capture_id=pa.array([f"{n:x>64}" for n in range(10)]),
    )
    for table in (now, old):
        write_deltalake(fleet.judgements.uri, table, mode="append")
    fleet.captures.add([made_rows.capture_row("van-1")])
    with opened(fleet) as desk:
        reply = answered(desk, "cell", Asked("53"))
    assert len(reply.table) == 20
    assert "10 captures without a date or of another layout left out" in reply.says[0]
