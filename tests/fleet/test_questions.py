"""Questions over rows whose truth is known, and over captures that were judged."""

import json
from collections.abc import Iterator
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from deltalake import DeltaTable, write_deltalake
from scipy import stats
from support import made_rows, small_fleet
from support.command import busplan

from busplan.errors import UsageError
from busplan.fleet.catalogue import Fleet
from busplan.fleet.desk import Desk, opened
from busplan.fleet.engine import InThisProcess
from busplan.fleet.questions import Asked, answered
from busplan.fleet.run import Coordinator, tasks_to_do
from busplan.fleet.trend import fit_groups, fit_trend, group

GROWTH = {"van-1": {53: 0.55}, "van-2": {}, "van-3": {}}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Three vehicles, 70 captures each over three years; cell 53 of the first grows by 55 %."""
    fleet = Fleet.at(str(tmp_path_factory.mktemp("made")), make=True)
    for number, (vehicle, drift) in enumerate(GROWTH.items()):
        table = made_rows.judgements(vehicle, 70, number, drift=drift)
        write_deltalake(fleet.judgements.uri, table, mode="append")
    fleet.signals.add(made_rows.signal_rows())
    fleet.captures.add([made_rows.capture_row(v) for v in GROWTH])
    return fleet


@pytest.fixture
def desk(made: Fleet) -> Iterator[Desk]:
    with opened(made) as found:
        yield found


def test_the_drifting_cell_is_named_with_its_slope_and_no_other(desk: Desk) -> None:
    reply = answered(desk, "drift", Asked())
    (row,) = reply.table.to_pylist()
    assert (row["vehicle"], row["cell"]) == ("van-1", "53")
    years = 1095 / 365.25
    assert row["low"] < 55 / years < row["high"]
    assert row["high"] - row["low"] < 3
    assert [line.split(":")[0] for line in reply.says] == ["cell 53 of van-1", "van-2", "van-3"]
    assert "no cell drifts by 10 % or more; for 96 of 96 that is shown" in reply.says[1]
    assert answered(desk, "drift", Asked(vehicles=("van-2",))).table.num_rows == 0
    frame = reply.to_frame()
    assert isinstance(frame, pd.DataFrame)
    assert frame.attrs["units"]["slope"] == "%/year"


def test_baseline_against_now_names_it_too(desk: Desk) -> None:
    reply = answered(desk, "baseline", Asked())
    moved = [r for r in reply.table.to_pylist() if r["moved"]]
    assert [(r["vehicle"], r["cell"]) for r in moved] == [("van-1", "53")]
    assert moved[0]["change"] == pytest.approx(55 * 65 / 70, abs=6)
    assert "1 cell moved (53)" in reply.says[0]
    # It moved within either end, too: that is no scatter of it.
    assert moved[0]["uncertainty"] < 2.0
    assert "no cell is seen to have moved by 10 % or more" in reply.says[1]
    assert reply.says[1].endswith("for 96 of 96 it is shown that it did not")
    unjudged = answered(desk, "baseline", Asked(figure="voltage"))
    assert all(line.endswith("none of it is judged") for line in unjudged.says)


def test_lines_fitted_together_are_those_fitted_alone() -> None:
    # Of several lengths, layouts and gaps; alone each is held against scipy below.
    rng = np.random.default_rng(5)
    given = []
    for n, m in [(5, 3), (70, 3), (70, 2), (0, 3), (300, 3), (12, 2)]:
        value = rng.normal(0, 1, (n, m))
        value[rng.random((n, m)) < 0.2] = np.nan
        time_ns = np.sort(rng.integers(0, 10**17, n))
        given.append((time_ns, value, rng.uniform(0.1, 0.3, (n, m))))
    together = fit_groups([group(*one) for one in given])
    for one, told in zip(given, together, strict=True):
        alone = fit_trend(*one)
        for name in ("middle_ns", "years", "middle", "slope", "uncertainty", "factor", "count"):
            np.testing.assert_array_equal(getattr(told, name), getattr(alone, name))
    assert np.isfinite(together[1].slope).all()
    assert len(together[3].slope) == 3


def test_a_line_is_that_of_scipy_and_its_interval_holds() -> None:
    # scipy.stats.linregress is the reference where all values are equally sure and scatter so.
    rng = np.random.default_rng(4)
    time_ns = np.arange(40) * 30 * 86_400 * 10**9
    years = (time_ns - time_ns.mean()) / (365.25 * 86_400e9)
    value = (0.2 + 0.05 * years + rng.normal(0, 0.03, 40))[:, None]
    fit = fit_trend(time_ns, value, np.full((40, 1), 1e-6))
    reference = stats.linregress(years, value[:, 0])
    assert fit.slope[0] == pytest.approx(reference.slope, rel=1e-3)
    assert fit.uncertainty[0] == pytest.approx(reference.stderr, rel=1e-2)
    assert fit.factor[0] == pytest.approx(stats.t.ppf(0.975, 38))
    trials = 2000
    noise = rng.normal(0, 0.03, (40, trials)) + rng.normal(0, 0.02, (40, trials))
    many = fit_trend(time_ns, 0.05 * years[:, None] + noise, np.full((40, trials), 0.02))
    held = np.mean(np.abs(many.slope - 0.05) <= many.half_width)
    assert held > 0.93  # 95 %, and four standard errors of 2000 trials below
    grouped = fit_trend(
        np.arange(900) * 86_400 * 10**9, rng.normal(0, 1, (900, 400)), np.ones((900, 400))
    )
    assert np.mean(np.abs(grouped.slope) <= grouped.half_width) > 0.90
    few = fit_trend(time_ns[:3], value[:3], np.ones((3, 1)))
    assert np.isnan(few.slope[0])


def test_a_cell_and_a_module_over_the_years(desk: Desk, tmp_path: Path) -> None:
    reply = answered(desk, "cell", Asked("53", ("van-1",)))
    assert len(reply.table) == 70
    truth = made_rows.judgements("van-1", 70, 0, drift=GROWTH["van-1"]).to_pylist()
    wanted = [100 * r["cells"]["against_peers"][52] for r in truth]
    assert np.allclose(reply.table["value"].to_pylist(), wanted)
    assert reply.table["time"][0].value == truth[0]["start_ns"]
    assert "a year, between" in reply.says[0]
    module = answered(desk, "module", Asked("M3"))
    assert len(module.table) == 210
    # Its interval is the one that was judged, which lies unevenly about it.
    shown = {n: np.array(module.table[n].to_pylist()) for n in ("value", "low", "high")}
    assert np.allclose(shown["value"] - shown["low"], 0.05)
    assert np.allclose(shown["high"] - shown["value"], 0.15)
    assert "not told apart from none" in module.says[0]
    for wrong, words in (
        (Asked("97"), "there is no cell 97"),
        (Asked("53", figure="xx"), "--figure is one of"),
        (Asked("53", ("van-9",)), 'no vehicle "van-9"'),
        (Asked(""), "ask it as busplan fleet ask cell NUMBER"),
        (Asked("53", above=3), "belong to the question limit"),
        (Asked("53", figure="capacity"), "no capture asked for tells"),
    ):
        with pytest.raises(UsageError, match=words):
            answered(desk, "cell", wrong)


def test_findings_loads_limits_and_parts(desk: Desk, made: Fleet) -> None:
    rows = DeltaTable(made.judgements.uri).to_pyarrow_table().to_pylist()
    told = answered(desk, "finding", Asked("cell-resistance-high")).table.to_pylist()
    hits = [r for r in rows if "cell-resistance-high" in r["findings"]["code"]]
    assert {r["vehicle"]: r["captures"] for r in told} == {
        v: sum(r["vehicle"] == v for r in hits) for v in {r["vehicle"] for r in hits}
    }
    none = answered(desk, "finding", Asked("monitor-silent"))
    assert (none.table.num_rows, none.says) == (
        0,
        ("monitor-silent: in none of 210 judged captures",),
    )
    with pytest.raises(UsageError, match="is no code of a finding"):
        answered(desk, "finding", Asked("cell-resistance-hig"))
    load = answered(desk, "load", Asked("thermal")).table.to_pylist()
    for one in load:
        peaks = [(r["loads"]["peak"][3], r["uri"]) for r in rows if r["vehicle"] == one["vehicle"]]
        assert (one["peak"] / 100, one["capture"]) == pytest.approx(max(peaks))
    limit = answered(desk, "limit", Asked("Signal07", above=42.0)).table.to_pylist()
    wanted = sorted((r["stats"]["max"][7] for r in rows if r["stats"]["max"][7] > 42), reverse=True)
    assert [r["value"] for r in limit] == pytest.approx(wanted)
    assert limit[0]["at_s"] == 5.0
    below = answered(
        desk, "limit", Asked("pack/*/Signal0?", ("van-2",), below=8.0)
    ).table.to_pylist()
    assert {r["vehicle"] for r in below} == {"van-2"}
    assert all(r["value"] < 8 for r in below)
    with pytest.raises(UsageError, match="limit wants --above VALUE or --below"):
        answered(desk, "limit", Asked("Signal07"))
    part = answered(desk, "part", Asked("monitor"))
    assert len(part.table) == 3 * made_rows.SIGNALS
    first = part.table.to_pylist()[0]
    mine = [r["stats"]["mean"][0] for r in rows if r["vehicle"] == first["vehicle"]]
    assert first["mean"] == pytest.approx(np.mean(mine))


@pytest.mark.parametrize("question", [("finding", "cell-resistance-high"), ("part", "monitor")])
def test_tables_fit_eighty_columns(
    made: Fleet, monkeypatch: pytest.MonkeyPatch, question: tuple[str, str]
) -> None:
    wide = {}
    for columns in (80, 160):
        monkeypatch.setenv("COLUMNS", str(columns))
        out = busplan("fleet", "ask", *question, "--fleet", made.place.url).out
        wide[columns] = max(map(len, out.splitlines()))
    assert wide[80] <= 80 < wide[160]


HOSTILE = {
    "COPY (SELECT 1) TO '{there}'": "one SELECT",
    "SELECT 1; DROP VIEW judgements": "one SELECT",
    "CREATE TABLE x AS SELECT 1": "one SELECT",
    "DELETE FROM captures": "one SELECT",
    "ATTACH '{there}' AS x": "one SELECT",
    "EXPORT DATABASE '{there}'": "one SELECT",
    "INSTALL httpfs": "one SELECT",
    "LOAD json": "one SELECT",
    "SET enable_external_access = true": "one SELECT",
    "PRAGMA database_list": "one SELECT",
    "CALL pragma_version()": "one SELECT",
    "SELECT * FROM read_text('/etc/hostname')": "disabled by configuration",
    "SELECT * FROM read_csv('/etc/hostname')": "disabled by configuration",
    "SELECT * FROM glob('/etc/*')": "disabled by configuration",
    "SELECT * FROM read_parquet('http://127.0.0.1:9/x.parquet')": "disabled|not|httpfs",
    "SELECT * FROM '/etc/hostname'": "does not exist|disabled",
    "SELECT * FROM sqlite_scan('x', 'y')": "not in the catalog|disabled",
    "SELECT * FROM query('COPY (SELECT 1) TO ''{there}''')": "SELECT|query",
    "SELECT * FROM secret_rows": "does not exist",
    "SELECT * FROM range(100000000000)": "more than",
    "SELECT from from": "syntax error",
    "": "one SELECT",
}


@pytest.mark.parametrize("sql", HOSTILE)
def test_sql_only_reads_and_only_the_fleet(made: Fleet, tmp_path: Path, sql: str) -> None:
    secret_rows = pd.DataFrame({"a": [1]})  # nothing of this program can be seen
    before = {p: p.stat().st_mtime_ns for p in Path(made.place.url).rglob("*")}
    with opened(made) as desk, pytest.raises(UsageError, match=HOSTILE[sql]):
        desk.ask(sql.format(there=tmp_path / "there"))
    assert len(secret_rows) == 1
    assert not list(tmp_path.iterdir())
    assert before == {p: p.stat().st_mtime_ns for p in Path(made.place.url).rglob("*")}


def test_after_a_question_in_sql_nothing_can_be_unlocked(made: Fleet) -> None:
    with opened(made) as desk:
        assert desk.ask("SELECT count(*) AS n FROM cells")["n"][0].as_py() == 210 * 96
        for sql in ("SET enable_external_access = true", "SET allowed_paths = []"):
            with pytest.raises(duckdb.Error, match=r"lock|external"):
                desk.table(sql)


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Four captures judged, one of them by a plan that tells millivolts."""
    folder = tmp_path_factory.mktemp("judged")
    fleet = small_fleet.make(folder, 4)
    millivolts = small_fleet.write_plan(folder / "mv", millivolts=True)
    small_fleet.add(fleet, [folder / "3.log"], "cart-2", millivolts)
    tasks, run = tasks_to_do(fleet, [], again=False)
    assert Coordinator(fleet, InThisProcess(fleet.place.url), run).judge(tasks).judged == 4
    return fleet


def test_a_plan_in_other_units_does_not_mix(judged: Fleet) -> None:
    call = ("fleet", "ask", "--fleet", judged.place.url, "--json")
    told = json.loads(busplan(*call, "limit", "Voltage", "--above", "0").out)
    assert [r["value"] for r in told["rows"]] == pytest.approx([12.03, 12.02, 12.01, 12.0])
    sql = 'SELECT max("Voltage") AS top, min("Voltage") AS low FROM "a/wheel_1/Turning"'
    told = json.loads(busplan(*call, "--sql", sql).out)
    assert told["rows"] == [{"top": pytest.approx(12.03), "low": pytest.approx(12.0)}]


def test_answers_go_into_plots_and_files(judged: Fleet, tmp_path: Path) -> None:
    call = ("fleet", "ask", "limit", "Speed", "--above", "10", "--fleet", judged.place.url)
    plot, parquet, csv = (tmp_path / n for n in ("a.svg", "a.parquet", "a.csv"))
    told = busplan(*call, "--plot", plot, "--to", parquet)
    assert told.code == 0
    assert "in 4 captures" in told.out
    assert "High voltage can kill" in plot.read_text()
    assert busplan(*call, "--to", csv, "--plot", tmp_path / "a.png").code == 0
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    values = pq.read_table(parquet)["value"].to_pylist()
    assert pd.read_csv(csv)["value"].tolist() == values
    top = [small_fleet.speeds(n, 200).max() / 100 for n in range(4)]
    assert values == pytest.approx(sorted(top, reverse=True))
    assert busplan(*call, "--to", tmp_path / "a.txt").code == 3
    assert busplan("fleet", "ask", "--fleet", judged.place.url).code == 3
