"""When an exchange of identifiers is told, and when not: by nodes of known truth."""

from itertools import permutations
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest
from support.truth_bench import judged
from truth.nodes import all_nodes

from busplan.bench import swapped
from busplan.findings import Weight
from busplan.plan.vehicle import Stream

NODE = "pair swapped, told by its rates"
RING = "three in a ring, told by their rates"


def codes(folder: Path, name: str = NODE) -> set[str]:
    report = judged(all_nodes()[name], folder, 1)
    assert report.verdict.value == "fail"
    return {f.code for f in report.findings}


@pytest.mark.parametrize("name", [NODE, RING])
@pytest.mark.parametrize("limit", ["MOST_PAIRS", "MOST_JUDGED"])
def test_it_is_told_only_where_every_other_exchange_was_looked_at(
    limit: str, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "identifiers-swapped" in codes(tmp_path, name)
    monkeypatch.setattr(swapped, limit, 1)
    assert "identifiers-swapped" not in codes(tmp_path, name)


def test_of_two_exchanges_that_fit_none_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rings = swapped._rings
    monkeypatch.setattr(swapped, "_rings", lambda *given: 2 * rings(*given))
    assert "identifiers-swapped" not in codes(tmp_path)


def test_a_ring_is_told_once_with_who_comes_under_whose_identifier(tmp_path: Path) -> None:
    report = judged(all_nodes()[RING], tmp_path, 1)
    (told,) = [f for f in report.findings if f.weight > Weight.NOTE]
    assert told.code == "identifiers-swapped"
    assert told.summary.startswith(
        "TrioPump, TrioValve and TrioProbe come under each other's identifiers, TrioPump under "
        "that of TrioValve (0x611), TrioValve under that of TrioProbe (0x612) and TrioProbe under "
        "that of TrioPump (0x610): exchanged, nothing is wrong in any; wrong as defined: rate"
    )


@pytest.mark.parametrize(
    ("steps", "rings"),
    [
        ("ab bc ca", ["abc"]),
        ("ab bc ca ba", ["abc"]),  # two are no ring: pairs are looked at apart
        ("ab bc ca ac cb ba", ["abc", "acb"]),
        ("ab bc cd da", ["abcd"]),
        ("ab bc cd", []),
        ("ab bc cd de ef fa", ["abcdef"]),
        ("ab bc cd de ef fg ga", []),  # longer than LONGEST_RING
        ("ab bc ca de ef fd xa cx", ["abc", "abcx", "def"]),
    ],
)
def test_rings_are_found_by_their_steps(steps: str, rings: list[str]) -> None:
    edges = [(ord(a), ord(b)) for a, b in steps.split()]
    found = swapped._rings_of(swapped._on_rings(edges))
    assert sorted("".join(map(chr, ring)) for ring in found) == rings


def test_where_there_are_very_many_rings_none_is_told() -> None:
    edges = list(permutations(range(7), 2))
    assert swapped._on_rings(edges) == edges
    assert swapped._rings_of(edges) == []


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
