"""What every worker needs, loaded once by the process that they are forked from.

Nothing here may start threads, since those would not live on in a fork: no pyarrow, no deltalake.
"""

from __future__ import annotations

import numpy as np

import busplan.behaviour.judge
import busplan.capture.assembly
import busplan.capture.checksum
import busplan.capture.read
import busplan.definitions.dbc
import busplan.fleet.frames_file
import busplan.fleet.plans
import busplan.fleet.row
import busplan.pack.joint_kernels
import busplan.plan.reader
import busplan.plan.resolve  # noqa: F401
from busplan.pack.resistance_kernels import slow_parts

# The first kernel that is loaded has numba make itself ready, which takes longer than all others.
slow_parts(np.zeros(2), 0.5)
