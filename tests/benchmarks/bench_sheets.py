"""Every frame of the demo's short captures, decoded by cantools from the network DBC files.

Run: python tests/benchmarks/bench_sheets.py. It ends with an error at the first value that differs
from busplan's.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from sheets.test_network_dbc import frames_agree

from busplan.demo.files import about_captures, plan_file, shipped
from busplan.plan.reader import load_plan
from busplan.sheets.network_dbc import network_files


def main() -> None:
    total = 0
    for name, entry in about_captures().items():
        if entry["plan"] != "as_built.toml" or name == "bench-charger":
            continue  # planted short frames and identifiers that no plan has
        van = load_plan(plan_file("as_built"))
        files = {f.network: f for f in network_files(van)}
        count = frames_agree(van, files, shipped("captures") / entry["file"])
        print(f"{name:16} {count:>8,} frames agree", flush=True)
        total += count
    print(f"{'all':16} {total:>8,}")


if __name__ == "__main__":
    main()
