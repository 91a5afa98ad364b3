"""Many findings in few lines: nothing is left out of the counts."""

from busplan.findings import Finding, Weight, Where, chosen_findings
from busplan.text.finding import finding_block
from busplan.text.finding_groups import FEW, MANY, group_block, grouped, overview_rows

CODES = (("deadline-missed", Weight.FAULT, 40), ("load-over-limit", Weight.CAUTION, 2))


def many() -> list[Finding]:
    return [
        Finding(
            code, weight, Where(f"net{i % 3}", f"node{i}"), f"{code} number {i}.", "Why.", "Do."
        )
        for code, weight, count in CODES
        for i in range(count)
    ]


def test_one_of_a_code_is_told_and_the_others_are_counted() -> None:
    groups = grouped(many())
    assert [(g.first.code, len(g.others)) for g in groups] == [
        ("deadline-missed", 39),
        ("load-over-limit", 0),
        ("load-over-limit", 0),
    ]
    assert sorted(f.summary for g in groups for f in g.all) == sorted(f.summary for f in many())
    lines = group_block(groups[0], 80)
    assert lines[:-2] == finding_block(groups[0].first, 80)
    assert "39 more deadline-missed, in all net0 14, net1 13 and net2 13" in lines[-2]
    assert "--code deadline-missed" in " ".join(lines[-2:])


def test_few_findings_are_all_told() -> None:
    few = many()[:MANY]
    assert len(grouped(few)) == MANY
    assert grouped(many())[1:] == tuple(map(type(grouped(few)[0]), many()[40:]))
    assert len(many()[40:]) <= FEW


def test_the_overview_counts_every_code() -> None:
    assert overview_rows(grouped(many())) == [
        ["#", "deadline-missed", "40", "net0 14 and 2 more"],
        ["!", "load-over-limit", "2", "net0 1 and 1 more"],
    ]


def test_findings_are_chosen_by_network_and_code() -> None:
    everywhere = Finding("definition-odd-length", Weight.CAUTION, Where(file="a.dbc"), "Odd.")
    found = [*many(), everywhere]
    assert len(chosen_findings(found)) == 43
    assert {f.where.network for f in chosen_findings(found, ["net1"])} == {"net1", None}
    assert chosen_findings(found, codes=["definition-odd-length"]) == (everywhere,)
    assert len(chosen_findings(found, ["net1"], ["load-over-limit"])) == 1
