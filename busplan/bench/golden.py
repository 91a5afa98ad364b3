"""A node against an earlier record of the same part: what is not as it was on the good one.

The rules of this file: pure. A record is a document that somebody may have changed, so everything
in it is looked at before it is used. What differs is a caution for a person, never a pass: the
sample may have been wrong. Common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from busplan.bench.node_report import BenchReport, MessageProof, SignalProof
from busplan.findings import Figure, Finding, Weight, Where
from busplan.wording import counted, listing, plain

SAME_RATE = 0.02
"""Medians closer than this share are the same rate: quartz clocks agree far better."""
MOST_NAMED = 6


def like_findings(report: BenchReport, sample: Mapping[str, Any], name: str) -> list[Finding]:
    """How the node differs from the record ``sample``, whose file is called ``name``."""
    where = Where(report.network, report.node)
    if sample.get("part") != report.part:
        return [
            Finding(
                "sample-of-another-part",
                Weight.CAUTION,
                where,
                f"{name} is a record of {_text(sample.get('part'))}, not of {report.part}: nothing "
                "was compared",
                why="Two kinds of parts differ in everything.",
                action="Give a record of the same part.",
            )
        ]
    before = {str(m.get("name")): m for m in _list(sample, "messages")}
    differ = []
    for proof in report.messages:
        old = before.get(proof.message.name)
        if old is not None:
            differ += [f"{proof.message.name} {words}" for words in _message(proof, old)]
    differ += _unknown(report, sample)
    changed = _identity(report, sample)
    findings = []
    if differ:
        findings.append(
            Finding(
                "unlike-sample",
                Weight.CAUTION,
                where,
                f"{counted(len(differ), 'difference')} from {name}: {listing(differ, MOST_NAMED)}",
                why="Two parts of one kind and software behave alike; one of them is another "
                "version, or not sound.",
                action="Compare versions and labels of both; test both again side by side.",
                figures=(Figure("differences", len(differ)),),
            )
        )
    else:
        findings.append(
            Finding(
                "like-sample",
                Weight.NOTE,
                where,
                f"as {name} ({_text(sample.get('date'))}): rates, lengths, protection and values "
                f"of {counted(len(report.messages), 'message')}",
            )
        )
    if changed:
        findings.append(
            Finding(
                "sample-identity-differs",
                Weight.NOTE,
                where,
                f"it says other than {name}: {listing(changed, MOST_NAMED)}",
                why="Serial numbers differ, versions should not.",
                action="See whether only what should differ does.",
            )
        )
    return findings


def _list(document: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    found = document.get(key)
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


def _text(value: object) -> str:
    return str(value)[:60] if value else "not stated"


def number(value: object) -> float | None:
    """A number of a document, ``None`` for anything else."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    return float(value) if value == value else None


def _message(proof: MessageProof, old: Mapping[str, Any]) -> list[str]:
    frames = number(old.get("frames")) or 0
    if bool(frames) != bool(proof.frames):
        return ["came" if proof.frames else "never came"]
    told = []
    was = number(old.get("median_cycle_ms"))
    if was and proof.cycle is not None:
        now = proof.cycle.median_ns / 1e6
        if abs(now / was - 1) > SAME_RATE:
            told.append(f"comes every {plain(now)} ms instead of {plain(was)} ms")
    lengths = old.get("lengths")
    if isinstance(lengths, dict) and lengths:
        now_lengths = {str(n) for n in proof.lengths}
        if set(lengths) != now_lengths:
            told.append(f"carries {listing(sorted(now_lengths))} bytes, not {listing(lengths)}")
    signals = {str(s.get("name")): s for s in _list(old, "signals")}
    for signal in proof.signals:
        if signal.name in signals:
            told += [f"{signal.name} {words}" for words in _signal(signal, signals[signal.name])]
    return told


def _signal(signal: SignalProof, old: Mapping[str, Any]) -> list[str]:
    role = str(old.get("role"))
    if signal.role != role:
        return [f"is now told as {signal.role}, was {role}"]
    if signal.role in ("counter", "checksum"):
        was = _text(old.get("detail"))
        same = signal.detail == old.get("detail")
        return [] if same else [f"{signal.detail or 'is unknown'}, was {was}"]
    low, high = number(old.get("lowest")), number(old.get("highest"))
    if signal.role != "value" or None in (low, high, signal.lowest, signal.highest):
        return []
    assert low is not None
    assert high is not None
    assert signal.lowest is not None
    assert signal.highest is not None
    apart = signal.lowest > high or signal.highest < low
    constant = bool(old.get("constant")) and signal.constant
    if not apart or not constant:
        return []
    return [f"stays at {signal.lowest:g} {signal.unit}".rstrip() + f", was {low:g}"]


def _unknown(report: BenchReport, sample: Mapping[str, Any]) -> list[str]:
    before = {str(u.get("identifier")) for u in _list(sample, "unknown")}
    now = {u.label for u in report.unknown}
    return [f"sends {label}, which nobody defines" for label in sorted(now - before)] + [
        f"does not send {label}" for label in sorted(before - now)
    ]


def _identity(report: BenchReport, sample: Mapping[str, Any]) -> list[str]:
    before = {str(i.get("name")): str(i.get("text")) for i in _list(sample, "identity")}
    return [
        f"{name} {text} instead of {before[name][:60]}"
        for name, text in report.identity
        if name in before and before[name] != text
    ]
