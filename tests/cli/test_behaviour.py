"""``busplan behaviour`` on the demo's captures."""

import json
from pathlib import Path

from support.command import busplan

from busplan.plan.ready import READY

ROOT = Path(__file__).parents[2]
CAPTURES, DBC_EXAMPLES = ROOT / "captures", ROOT / "dbc_examples"
PLAN = DBC_EXAMPLES / "as_built.toml"


def test_verdicts_with_margins_and_exit_code() -> None:
    run = busplan("behaviour", CAPTURES / "key_on_short.log.gz", "--plan", PLAN)
    assert run.code == 0
    assert "+ pre-charge-before-main: held" in run.out
    assert "? fan-when-hot: not shown" in run.out
    assert "High voltage can kill" in run.err
    early = busplan("behaviour", CAPTURES / "key_on_early_short.log.gz", "--plan", PLAN, "--tables")
    assert early.code == 2
    assert "! link-full-before-main: failed" in early.out


def test_only_one_and_not_shown_is_told_by_the_exit_code() -> None:
    capture = CAPTURES / "key_on_short.log.gz"
    run = busplan("behaviour", capture, "--plan", PLAN, "--only", "fan-when-hot", "--json")
    document = json.loads(run.out)
    assert run.code == 1
    (told,) = document["behaviours"]
    assert told["answer"] == "not shown"
    assert told["reason"] == "nothing came on the network thermal"
    wrong = busplan("behaviour", capture, "--plan", PLAN, "--only", "fan-when-ht")
    assert wrong.code == 3
    assert '"fan-when-hot"' in wrong.err


def test_the_ready_ones() -> None:
    text = busplan("behaviour", "--ready")
    assert text.code == 0
    assert all(name in text.out for name in READY)
    assert "no source" in text.out
    document = json.loads(busplan("behaviour", "--ready", "--json").out)
    assert [d["name"] for d in document] == list(READY)


def test_a_plan_without_any(tmp_path: Path) -> None:
    run = busplan(
        "behaviour", CAPTURES / "collision_short.log.gz", "--plan", DBC_EXAMPLES / "as_bought.toml"
    )
    assert run.code == 3
    assert "no [[behaviour]] tables" in run.err
    assert busplan("behaviour").code == 3
