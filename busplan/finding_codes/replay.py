"""Codes of a whole capture held against its plan."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "replay")

CODES = (
    _entry(
        "node-stopped",
        (NOTE, CAUTION),
        "All cyclic messages of a node stopped together for longer than a value may be old, for "
        "good or for a while. Its receivers work with old values or have given it up.",
        "Look for a loose plug, a brown-out of its supply or a reset at that time.",
        "A caution; on a live bus a note once it has been over for half a minute.",
    ),
    _entry(
        "network-silent",
        (NOTE, CAUTION),
        "All of several nodes of a network were silent at once: for a while, or nothing at all "
        "came for the rest of the capture. The network slept or its adapter did not record.",
        "See whether its adapter's file ends there; if not, look for what all its nodes share: "
        "supply, ignition, the cable.",
        "A caution; on a live bus a note once it has been over for half a minute.",
    ),
    _entry(
        "all-silent",
        (NOTE, CAUTION),
        "Several nodes were silent at once, and nobody else sent anything on any network either: "
        "the recording stopped, the vehicle slept, all lost the bus or its supply, or the clock "
        "was set forward. It accuses no single node, and how long it truly was is not known.",
        "See whether the vehicle was switched off, the recorder stopped or its clock was set; if "
        "not, look for what all nodes share: the cable, supply and ground.",
        "A caution; on a live bus a note once it has been over for half a minute.",
    ),
    _entry(
        "message-paused",
        (NOTE, CAUTION),
        "One message stopped for longer than its value may be old, while its node went on. "
        "Receivers with a time-out may have given it up.",
        "See what else happened at that time.",
        "A caution; on a live bus a note once it has been over for half a minute.",
    ),
    _entry(
        "frame-late",
        (NOTE,),
        "Frames of a cyclic message came later than one and a half cycles after the one before. A "
        "busy sender or a full network delays them; their receivers may notice.",
        "Compare with the response times of the plan: busplan timing.",
    ),
    _entry(
        "identifier-unplanned",
        (CAUTION,),
        "An identifier came on a network of the plan that no definition of the plan has. Nobody "
        "planned for its load, and its values cannot be read.",
        "Find its sender and definition, or unplug nodes one by one until it stops.",
    ),
    _entry(
        "identifier-shared",
        (FAULT,),
        "An identifier came that the plan gives to several nodes of one network. Values of both "
        "mix, and two frames at once destroy each other.",
        "Give one of the nodes other identifiers or move it to another network.",
    ),
    _entry(
        "bit-rate-assumed",
        (NOTE,),
        "Nobody states the bit rate of a network, so its loads assume one. At half the bit rate "
        "the load is twice as high.",
        "Give a plan, or the bit rate with --bit-rate.",
    ),
)
