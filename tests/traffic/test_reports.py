"""Surveys and measurements as values: tables and documents agree, and both can be sent on."""

from __future__ import annotations

import pickle

import pytest
from support.cart import DBC
from support.frames import frames
from support.vehicles import stream, vehicle

from busplan.definitions.dbc import parse_dbc
from busplan.errors import UsageError
from busplan.findings import Finding, Weight, Where
from busplan.frames.identifier import FrameKey
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network
from busplan.traffic.measured_load import Rates
from busplan.traffic.measurement import measure_traffic
from busplan.traffic.survey_report import BEST, survey_traffic
from busplan.transport.iso15765 import Segmented

KNOWN = Finding("lines-unreadable", Weight.CAUTION, Where(file="a.log"), "one line is no frame")
RATES = {"can0": Rates(500_000)}


@pytest.fixture(scope="module")
def table() -> FrameTable:
    """Frames of 0x010 and, now and then, 0x200, a millisecond apart."""
    identifiers = [0x200 if i % 10 == 9 else 0x010 for i in range(400)]
    return frames([bytes([i % 256, 1]) for i in range(400)], identifier=identifiers)


def test_a_measurement_tells_the_same_in_its_tables_and_its_document(table: FrameTable) -> None:
    measured = measure_traffic(table, rates=RATES, window_ns=10**8, known=[KNOWN])
    document = measured.as_dict()
    loads = measured.load_table().to_frame()
    assert loads["exact"].tolist() == [one["mean"]["exact"] for one in document["loads"]]
    assert loads["peak_at_s"].tolist() == [one["peak"]["at_s"] for one in document["loads"]]
    assert loads.attrs["units"]["peak_at_s"] == "s"
    cycles = measured.to_frame()
    assert cycles["identifier"].tolist() == ["0x010", "0x200"]
    assert cycles["longest_ms"].tolist() == [one["longest_ms"] for one in document["cycles"]]
    assert cycles["median_ms"].tolist() == [1.0, 10.0]
    shares = document["loads"][0]["shares"]
    assert cycles["share"].tolist() == list(shares.values())
    assert sum(shares.values()) == pytest.approx(loads["exact"].sum())
    assert cycles["message"].isna().all()
    assert measured.findings[0] is KNOWN
    assert pickle.loads(pickle.dumps(measured)).as_dict() == document


def test_a_network_without_a_bit_rate_is_named_and_has_no_load(table: FrameTable) -> None:
    measured, surveyed = measure_traffic(table), survey_traffic(table)
    assert measured.unrated == surveyed.unrated == ("can0",)
    assert measured.load_table().to_frame().columns.tolist()[0] == "network"
    assert measured.to_frame()["share"].isna().all()
    assert surveyed.to_frame()["share"].isna().all()


def test_a_survey_tells_the_same_in_its_table_and_its_document(table: FrameTable) -> None:
    files = [parse_dbc(DBC, "wheel.dbc")]
    surveyed = survey_traffic(table, files=files, rates=RATES, known=[KNOWN])
    document = surveyed.as_dict()
    frame = surveyed.to_frame()
    told = document["identifiers"]
    assert frame["identifier"].tolist() == [one["label"] for one in told] == ["0x010", "0x200"]
    assert frame["defined_as"].isna().tolist() == [one["defined_as"] is None for one in told]
    assert frame["defined_as"][0].endswith("(wheel.dbc)")
    assert frame["share"].tolist() == [one["share"] for one in told]
    assert frame["cycle_ms"].tolist() == [1.0, 10.0]
    assert not frame["several_frames"].any()
    (best,) = surveyed.fit_table().rows
    assert (best.file, best.identifiers, best.of) == ("wheel.dbc", 1, 2)
    assert document["fits"]["can0"][0]["frames_share"] == best.frames_share == 0.9
    assert surveyed.findings[0] is KNOWN
    assert pickle.loads(pickle.dumps(surveyed)).as_dict() == document


def test_only_the_networks_asked_for_are_surveyed(table: FrameTable) -> None:
    both = table.relabel({"can0": "drive"})
    assert survey_traffic(both, networks=["drive"]).as_dict() == survey_traffic(both).as_dict()
    with pytest.raises(UsageError, match="no network 'can0' here"):
        survey_traffic(both, networks=["can0"])


def test_the_files_that_fit_best_come_first_and_are_few(table: FrameTable) -> None:
    other = DBC.replace("BO_ 16 Wheel", "BO_ 512 Other")
    both = DBC + 'BO_ 512 Other: 2 WHEEL\n SG_ Turn : 0|16@1+ (1,0) [0|0] "" Vector__XXX\n'
    texts = {"rare": other, "usual": DBC, "long": DBC.replace(": 2 WHEEL", ": 5 WHEEL")}
    texts |= {"again": DBC, "both": both}
    files = [parse_dbc(text, name) for name, text in texts.items()]
    best = survey_traffic(table, files=files).fits["can0"]
    assert [one.file for one in best] == ["both", "usual", "again"]
    assert len(best) == BEST


def test_a_plan_s_bit_rate_and_limit_go_before_what_is_typed(table: FrameTable) -> None:
    van = vehicle(
        [stream(0x010, network="can0", length=2, cycle_ms=1)],
        [Network("can0", 1_000_000, load_limit=0.01)],
    )
    measured = measure_traffic(table, van, rates=RATES)
    assert measured.loads["can0"].rates.nominal == 1_000_000
    assert [f.code for f in measured.findings] == [
        "measured-load-over-limit",
        "cycle-measured-uneven",
    ]
    assert measured.load_table().rows[0].limit == 0.01
    assert measure_traffic(table, rates=RATES).findings == ()
    row = measured.cycle_table().rows[0]
    assert (row.message, row.stated_ms) == ("M10", 1.0)
    assert survey_traffic(table, van, rates=RATES).loads["can0"].rates.nominal == 1_000_000


def test_parts_of_longer_messages_are_neither_guessed_at_nor_taken_for_two_senders() -> None:
    payloads = []
    for number in range(100):  # ISO 15765-2: ten bytes in a first and a consecutive frame
        payloads += [bytes([0x10, 10, number, 1, 2, 3, 4, 5]), bytes([0x21, 6, 7, 8, number])]
    split = frames(payloads, identifier=0x345)
    (alone,) = survey_traffic(split).identifiers
    assert alone.two_senders is not None
    assert survey_traffic(split).candidates.keys() == {alone.key}
    assert survey_traffic(split).findings == ()
    told = survey_traffic(split, segmented=[Segmented(FrameKey("can0", False, 0x345))])
    assert told.split == {alone.key}
    assert (told.identifiers[0].likely, told.identifiers[0].two_senders) == ([], None)
    assert alone.likely
    (whole,) = told.messages
    assert whole.frames == 100
    assert dict(whole.lengths) == {10: 100}
