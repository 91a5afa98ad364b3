"""When an exchange of identifiers is told, and when not: by nodes of known truth."""

from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
from support.truth_bench import judged
from truth.nodes import all_nodes

from busplan.bench import swapped
from busplan.plan.vehicle import Stream

NODE = all_nodes()["pair swapped, told by its rates"]


def codes(folder: Path) -> set[str]:
    report = judged(NODE, folder, 1)
    assert report.verdict.value == "fail"
    return {f.code for f in report.findings}


@pytest.mark.parametrize("limit", ["MOST_PAIRS", "MOST_JUDGED"])
def test_it_is_told_only_where_every_other_exchange_was_looked_at(
    limit: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "identifiers-swapped" in codes(tmp_path)
    monkeypatch.setattr(swapped, limit, 1)
    assert "identifiers-swapped" not in codes(tmp_path)


def test_of_two_exchanges_that_fit_none_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pairs = swapped._pairs
    monkeypatch.setattr(swapped, "_pairs", lambda *given: 2 * pairs(*given))
    assert "identifiers-swapped" not in codes(tmp_path)


@pytest.mark.parametrize(
    ("length", "share", "fit"),
    [
        (8, 1.19, (True, True)),
        (8, 0.81, (True, True)),
        (8, 1.21, (True, False)),
        (8, 0.79, (True, False)),
        (7, 1.0, (False, True)),
        (8, None, (True, False)),
    ],
)
def test_a_rate_speaks_for_an_identifier_within_a_fifth(
    length: int, share: float | None, fit: tuple[bool, bool]
) -> None:
    stated = SimpleNamespace(
        message=SimpleNamespace(length=8), cycle=SimpleNamespace(ns=100), event=False
    )
    came = swapped.Seen(length, None if share is None else share * 100)
    assert swapped.fits(cast(Stream, stated), came) == fit
