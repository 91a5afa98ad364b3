"""What is said of sessions: counted by pair, group and ending, each with a place."""

from dataclasses import replace

from support.transport_traffic import (
    MS,
    Frame,
    abort,
    broadcast,
    clear,
    connection,
    segmented,
    spread,
    table,
)
from support.vehicles import stream, vehicle

from busplan.decode.series import decode_series
from busplan.definitions.model import Signal
from busplan.findings import Finding, Weight
from busplan.transport.messages import put_together
from busplan.transport.report import tallies, transport_findings

DATA = bytes(30)


def told(frames: list[Frame]) -> list[Finding]:
    seen = table(sorted(frames))
    return list(transport_findings(put_together(seen).parts, seen.origin_ns))


def test_whole_sessions_say_nothing() -> None:
    assert told(spread([*broadcast(1, 0xFECA, DATA), *connection(1, 2, 0xEF00, DATA)])) == []


def test_broken_sessions_are_told_by_group_and_kind_with_the_first_place() -> None:
    frames = []
    for i in range(6):
        begin = i * 10_000 * MS
        sent = broadcast(1, 0xFECA if i < 4 else 0xFECB, DATA)
        if i in (1, 2, 5):
            del sent[2]
        frames += spread(sent, begin)
    found = told(frames)
    assert [(f.code, f.weight, f.where.time_ns) for f in found] == [
        ("transport-broken", Weight.CAUTION, 10_000 * MS),
        ("transport-broken", Weight.CAUTION, 50_000 * MS),
    ]
    assert found[0].summary == (
        "2 of 4 J1939 broadcasts (group 0xFECA, 0x01 to all) on a lack a packet."
    )
    assert [g.value for g in found[0].figures] == [2, 4, 2]


def test_repeats_strays_and_missing_answers_are_notes_with_a_place() -> None:
    sent = connection(1, 2, 0xEF00, DATA)
    again = [*sent[:5], clear(1, 2, 0xEF00, 2, 1), sent[3], *sent[5:-1]]
    frames = [*spread(again, 1000 * MS), *spread([abort(5, 6, 0xEF00)], 9000 * MS)]
    found = told([Frame(0, 1, b""), *frames])
    assert {f.code: f.where.time_ns for f in found} == {
        "transport-repeated": 1000 * MS,
        "transport-unanswered": 1000 * MS,
        "transport-stray": 9000 * MS,
    }
    assert {f.weight for f in found} == {Weight.NOTE}


def test_tallies_add_up_to_all_sessions() -> None:
    frames = spread([*broadcast(1, 0xFECA, DATA), *broadcast(1, 0xFECA, DATA)[:3]])
    (part,) = put_together(table(frames)).parts
    (one,) = tallies(part.sessions)
    assert (one.sessions, one.complete, one.frames) == (2, 1, len(frames))
    assert one.counts == {"complete": 1, "cut off": 1}
    assert one.as_dict(0)["first_s"] == {"complete": 0.0, "cut off": 0.12}


def test_frames_of_a_long_message_that_nobody_called_segmented_hint_at_it() -> None:
    frames = table(spread(segmented(0x7E8, bytes(40))), flags=0)
    long = stream(0x7E8, length=40)
    long = replace(long, message=replace(long.message, signals=(Signal("S", 0, 8),)))
    series = decode_series(frames, vehicle([long]))
    list(series.pieces())
    (short,) = series.findings()
    assert short.code == "frame-short"
    assert "--segmented" in short.action
