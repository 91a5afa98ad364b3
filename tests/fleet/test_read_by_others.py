"""What a fleet writes is read by others directly: pandas, DuckDB, Polars, and Spark where it is."""

import shutil
from pathlib import Path

import duckdb
import pytest
from deltalake import DeltaTable
from support import small_fleet

from busplan.fleet import upkeep
from busplan.fleet.catalogue import Fleet
from busplan.fleet.engine import InThisProcess
from busplan.fleet.run import Coordinator, tasks_to_do


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    made = small_fleet.make(tmp_path_factory.mktemp("judged"), 2)
    tasks, run = tasks_to_do(made, [], again=False)
    assert Coordinator(made, InThisProcess(made.place.url), run).judge(tasks).judged == 2
    upkeep.write_views(made)
    return made


def test_pandas_reads_the_table(fleet: Fleet) -> None:
    frame = DeltaTable(fleet.judgements.uri).to_pandas()
    assert sorted(frame["vehicle"]) == ["cart-1", "cart-2"]
    assert frame["stats"][0]["signal"][0] == "a/wheel_1/Turning/Speed"


def test_duckdb_reads_the_views(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(fleet.place.url)
    base = duckdb.connect()
    base.execute(Path("views.sql").read_text(encoding="utf-8"))
    told = base.sql('SELECT max("Speed"), count(*) FROM "a/wheel_1/Turning"').fetchall()[0]
    top = max(small_fleet.speeds(n, 200).max() for n in range(2)) / 100
    assert told == (pytest.approx(top), 400)
    assert base.sql("SELECT count(*) FROM loads").fetchall()[0] == (2,)


def test_polars_reads_table_and_frames(fleet: Fleet) -> None:
    polars = pytest.importorskip("polars")
    assert polars.scan_delta(fleet.judgements.uri).collect().height == 2
    assert polars.scan_parquet(f"{fleet.place.url}/frames/*/*.parquet").collect().height == 400


def test_spark_reads_table_and_frames(fleet: Fleet) -> None:
    pytest.importorskip("pyspark")
    if shutil.which("java") is None:
        pytest.skip("Spark needs Java")
    from pyspark.sql import SparkSession

    told = SparkSession.builder.master("local[1]").config("spark.ui.enabled", "false")
    spark = told.config("spark.driver.host", "127.0.0.1").getOrCreate()
    try:
        # As the manual has it: without Spark's own Delta library.
        read = spark.read.option("basePath", fleet.judgements.uri)
        rows = read.parquet(*DeltaTable(fleet.judgements.uri).file_uris()).collect()
        assert sorted(r.vehicle for r in rows) == ["cart-1", "cart-2"]
        assert rows[0].stats.signal[0] == "a/wheel_1/Turning/Speed"
        assert spark.read.parquet(f"{fleet.place.url}/frames/*/*.parquet").count() == 400
    finally:
        spark.stop()
