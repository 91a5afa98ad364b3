"""The main job from Python, on the demo's files in the folder named: what .ci/package tries."""

import os
import sys

import busplan

os.chdir(sys.argv[1])
v = busplan.load_plan("as_built.toml")
c = busplan.read_capture("drive_short.log.gz", v)
assert len(c.decode("CellVoltage*")) > 0
assert len(busplan.timing(v).to_frame()) > 0
busplan.check(v).to_frame()
assert str(busplan.judge_pack(c))
page = busplan.prove_node(
    busplan.read_capture("bench_charger_short.log.gz", v), "charger"
).to_html()
assert "<html" in page
