"""Selectors: any trailing part of a full name, with asterisks."""

from dataclasses import replace

import pytest
from support.vehicles import stream, vehicle

from busplan.definitions.model import Signal
from busplan.errors import UsageError
from busplan.plan.problems import suggestion
from busplan.plan.select import select_signals, select_streams
from busplan.plan.vehicle import Stream


def with_signals(s: Stream, *names: str) -> Stream:
    signals = tuple(Signal(name, 0, 8) for name in names)
    return replace(s, message=replace(s.message, signals=signals))


VEHICLE = vehicle(
    [
        with_signals(
            stream(1, node="bms", name="Cells", network="pack"), "Cell01", "Cell02", "Sum"
        ),
        with_signals(stream(2, node="bms", name="CellInfo", network="pack"), "Age", "Sum"),
        with_signals(stream(1, node="ecu", name="Cells", network="main"), "Cell01"),
    ]
)


@pytest.mark.parametrize(
    ("selector", "expected"),
    [
        ("Age", ["pack/bms/CellInfo/Age"]),
        ("Cells/Sum", ["pack/bms/Cells/Sum"]),
        ("Cell0?", ["pack/bms/Cells/Cell01", "pack/bms/Cells/Cell02", "main/ecu/Cells/Cell01"]),
        ("pack/*/Cell*", ["pack/bms/Cells/Cell01", "pack/bms/Cells/Cell02"]),
        ("pack/*/*/Cell01", ["pack/bms/Cells/Cell01"]),
        ("ecu/*/Cell01", ["main/ecu/Cells/Cell01"]),
        ("pack/bms/Cells/Cell01", ["pack/bms/Cells/Cell01"]),
        ("C*/S*", ["pack/bms/Cells/Sum", "pack/bms/CellInfo/Sum"]),
    ],
)
def test_signals(selector: str, expected: list[str]) -> None:
    assert [str(a) for a in select_signals(VEHICLE, [selector])] == expected


def test_several_selectors_keep_the_order_of_the_vehicle_and_repeat_nothing() -> None:
    found = select_signals(VEHICLE, ["Age", "Cells/*", "pack/*/Age"])
    assert [a.signal for a in found] == ["Cell01", "Cell02", "Sum", "Age", "Cell01"]


def test_streams() -> None:
    assert [s.label for s in select_streams(VEHICLE, ["pack/*/Cells"])] == ["pack/bms/Cells"]


def test_what_matches_nothing_is_named_with_what_is_near() -> None:
    with pytest.raises(UsageError) as caught:
        select_signals(VEHICLE, ["Cel01", "Age", "Agee"])
    assert 'no signal matches "Cel01"; did you mean "Cell01"' in str(caught.value)
    assert 'no signal matches "Agee"; did you mean "Age"' in str(caught.value)


@pytest.mark.parametrize(
    ("known", "told"),
    [
        ([], "; there is no name to choose from"),
        (["left"], '; there is "left"'),
        (["left", "right"], '; there are "left" and "right"'),
        ([f"n{i}" for i in range(9)], 'and "n7" and more'),
    ],
)
def test_what_there_is_to_choose_from_is_told_in_a_sentence(known: list[str], told: str) -> None:
    assert suggestion("zzz", known).endswith(told)
