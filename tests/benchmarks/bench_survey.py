"""How well ``busplan survey`` guesses: the demo's captures against their definitions.

    PYTHONPATH=tests python tests/benchmarks/bench_survey.py

``tests/support/survey_score.py`` says what is counted.
"""

import time
from collections import Counter
from pathlib import Path

from support.survey_score import score

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.plan.reader import load_plan

ROOT = Path(__file__).parents[2]


def main() -> None:
    total: Counter[str] = Counter()
    for path in sorted((ROOT / "captures").glob("*.gz")):
        plan = "as_bought.toml" if "collision" in path.name else "as_built.toml"
        vehicle = load_plan(ROOT / "dbc_examples" / plan)
        table = apply_plan(read_capture(path, cache=False), vehicle).frames
        begin = time.process_time()
        one = score(table, vehicle)
        total += one
        print(f"{path.name}: {dict(one)}, {time.process_time() - begin:.1f} s")
    print(f"together: {dict(total)}")


if __name__ == "__main__":
    main()
