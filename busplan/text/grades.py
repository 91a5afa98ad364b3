"""The role that each grade of a cell or sensor plays in a drawing."""

from busplan.replay.pack_state import Grade
from busplan.text.runs import PLAIN

OF_GRADE = {
    Grade.MISSING: "missing",
    Grade.STALE: "stale",
    Grade.FAR_LOW: "far-low",
    Grade.LOW: "low",
    Grade.EVEN: PLAIN,
    Grade.HIGH: "high",
    Grade.FAR_HIGH: "far-high",
    Grade.OUTSIDE: "outside",
    Grade.ASIDE: "stale",
}
