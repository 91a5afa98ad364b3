"""Nodes by an author who had not seen the judging: each verdict is what a tester wants."""

import pytest
from support.more_node_kinds import KINDS, told_right


@pytest.mark.parametrize("name", KINDS)
def test_a_node_of_another_author_is_told_right(name: str) -> None:
    truth = KINDS[name]
    report = truth.bench.judge(truth.rows(20.0))
    told = {f.code for f in report.findings}
    assert told_right(truth, report.verdict.value, told), (report.verdict, told)
