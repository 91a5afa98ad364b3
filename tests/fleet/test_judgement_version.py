"""A judgement that comes out differently must raise the judgement version.

``tests/data/fleet_judgements.json`` holds what the demo's short captures (invented) were judged by
the version it names. When this test fails and the change is meant: raise ``JUDGEMENT_VERSION`` in
``busplan/fleet/identity.py`` and run ``python tests/fleet/test_judgement_version.py``.
"""

import json
import math
import tempfile
from pathlib import Path
from typing import Any

from busplan.fleet.identity import JUDGEMENT_VERSION
from busplan.fleet.place import Place
from busplan.fleet.plans import keep_plan, read_plan
from busplan.fleet.work import Task, TaskFile, work

ROOT = Path(__file__).parents[2]
KEPT = ROOT / "tests/data/fleet_judgements.json"
CAPTURES = {
    "drive_short": "as_built",
    "charge_short": "as_built",
    "fan_late_short": "as_built",
    "key_on_welded_short": "as_built",
    "gun_warm_up_short": "asleep",
}
FIGURES = ("resistance_mohm", "against_peers", "deviation_mv", "capacity", "exchange", "lag_k")


def judged(folder: Path) -> dict[str, Any]:
    """What each capture is judged, in what a question could see of it."""
    from busplan.capture.checksum import sha256_of

    place, told = Place(folder), {}
    place.prepare()
    plans = {}
    for name in dict.fromkeys(CAPTURES.values()):
        plans[name] = read_plan(ROOT / f"dbc_examples/{name}.toml")
        keep_plan(place, plans[name])
    for name, plan in CAPTURES.items():
        path = ROOT / f"captures/{name}.log.gz"
        digest = sha256_of(path)
        file = TaskFile(str(path), 0, 0, digest, None)
        outcome = work(place.url, Task(digest, "magpie", plans[plan].id, (file,)))
        assert outcome.row, outcome.error
        told[name] = _seen(outcome.row)
    return told


def _seen(row: dict[str, Any]) -> dict[str, Any]:
    found = row["findings"]
    places = ("code", "weight", "network", "node", "message", "signal")
    figures = {
        f"{part}.{name}": row[part][name]
        for part in ("cells", "modules")
        for name in FIGURES
        if name in row[part] and any(v is not None for v in row[part][name])
    }
    return {
        "test": row["test"],
        "answer": row["answer"],
        "verdict": row["verdict"],
        "topics": dict(zip(row["topics"]["name"], row["topics"]["answer"], strict=True)),
        "findings": [list(f) for f in zip(*(found[p] for p in places), strict=True)],
        "figures": figures,
    }


AGREE = {"cells.against_peers": 1e-4}
"""How far apart a share may be, from one processor or version of a library to another. The delays
of the cells' frames come of sums that nearly agree: with five kinds of processors and the lowest
versions of the libraries a share of the peers' resistance moved by up to 5e-6, once by 1e-5. It is
known to 0.003 at best."""


def differences(old: Any, new: Any, place: str = "") -> list[str]:
    """Where two documents differ; numbers by more than one part in ten thousand."""
    if isinstance(old, dict) and isinstance(new, dict):
        keys = dict.fromkeys((*old, *new))
        return [d for k in keys for d in differences(old.get(k), new.get(k), f"{place}/{k}")]
    if isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        pairs = enumerate(zip(old, new, strict=True))
        return [d for i, (a, b) in pairs for d in differences(a, b, f"{place}/{i}")]
    if isinstance(old, float) and isinstance(new, float):
        near = next((AGREE[name] for name in AGREE if f"/{name}/" in place), 1e-5)
        same = math.isclose(old, new, rel_tol=1e-4, abs_tol=near)
        return [] if same else [f"{place}: {old} is {new}"]
    return [] if old == new else [f"{place}: {old} is {new}"]


def test_the_demo_is_judged_as_its_version_did(tmp_path: Path) -> None:
    kept = json.loads(KEPT.read_text(encoding="utf-8"))
    changed = differences(kept["judged"], judged(tmp_path))
    assert kept["version"] == JUDGEMENT_VERSION, "keep what this version gives: see above"
    assert not changed, "raise JUDGEMENT_VERSION, see above:\n" + "\n".join(changed[:40])


def test_a_difference_is_seen() -> None:
    old = {"a": [["x", None], 1.0]}
    assert differences(old, {"a": [["x", None], 1.00001]}) == []
    assert differences(old, {"a": [["y", None], 1.01]}) == ["/a/0/0: x is y", "/a/1: 1.0 is 1.01"]
    for name, told in (("cells.against_peers", []), ("modules.exchange", ["0.1 is 0.10004"])):
        place = f"/{name}/0: "
        moved = differences({name: [0.1]}, {name: [0.10004]})  # by 4 in 10,000
        assert moved == [place + words for words in told]
        assert differences({name: [0.1]}, {name: [0.1002]}) != []
    assert differences(old, {"a": [], "b": 1}) == ["/a: [['x', None], 1.0] is []", "/b: None is 1"]


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        document = {"version": JUDGEMENT_VERSION, "judged": judged(Path(made))}
    KEPT.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    print(f"kept in {KEPT}")
