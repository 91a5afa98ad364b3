"""Codes of a plan held against itself, one table a check."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "checks")

CLASHES = (
    _entry(
        "identifier-clash",
        (FAULT,),
        "Different parts send different things under the same identifier on one network. "
        "Arbitration cannot tell the frames apart: when both start together their payloads "
        "collide and cause error frames, and receivers take one for the other the rest of the "
        "time. 0x100 and 0x00000100 are different identifiers and do not clash.",
        "Give one of them another identifier, or put it on another network.",
    ),
    _entry(
        "identical-parts-clash",
        (FAULT,),
        "Two or more nodes are the same part with the same identifiers on one network. Nobody "
        "can tell which of them speaks, and frames sent at the same time collide.",
        "Set other identifiers or addresses on all but one, or put them on other networks.",
    ),
    _entry(
        "identifier-length-clash",
        (FAULT,),
        "Different parts send the same identifier with different payload lengths on one network. "
        "Receivers read past the end of the short frames or ignore the rest of the long ones, "
        "besides everything an identifier clash does.",
        "Give one of them another identifier, or put it on another network.",
    ),
)

ADDRESSES = (
    _entry(
        "source-address-clash",
        (FAULT,),
        "Two nodes use the same J1939 source address on one network. By SAE J1939-81 only one of "
        "them may keep it: after the address claim the other must fall silent or take another "
        "address, and transport sessions with the address are mixed up.",
        "Give all but one of them another source_address in the plan and set it on the part.",
    ),
    _entry(
        "source-address-reserved",
        (FAULT,),
        "A node sends from J1939 address 254 (null) or 255 (global), which are no addresses of a "
        "node (SAE J1939-81).",
        "Give it a source_address from 0 to 253 in the plan, and set it on the part.",
    ),
    _entry(
        "source-address-unused",
        (CAUTION,),
        "The plan gives a node a J1939 source address where no identifier of the node can hold "
        "one: its networks are not marked as J1939, and no definition says so of its messages. It "
        "is planned with the identifiers of its definition.",
        "Mark the network with j1939 = true if it speaks J1939, or take the source_address away.",
    ),
)

AGREEMENT = (
    _entry(
        "definitions-disagree",
        (CAUTION,),
        "The definition file of a receiver and that of the sender describe one message "
        "differently: another length, or a signal with other bits, byte order, sign, scale, "
        "offset or unit. The receiver reads wrong values.",
        "Find out which file is right and use it for both parts.",
    ),
)

BIT_RATES = (
    _entry(
        "bit-rate",
        (FAULT,),
        "A part does not speak the bit rate of the network it is placed on. It cannot read a "
        "single frame there, and it answers each one with an error frame.",
        "Move it to a network that runs at its rate, or choose one that all nodes speak.",
    ),
    _entry(
        "data-bit-rate",
        (FAULT,),
        "A part does not speak the data bit rate of the CAN FD network it is placed on. It "
        "destroys every frame that switches its bit rate.",
        "Choose a data bit rate that all nodes speak, or move the part.",
    ),
    _entry(
        "not-fd",
        (CAUTION,),
        "Neither the plan nor the definitions of a part on a CAN FD network say that it can take "
        "CAN FD frames. A controller that knows classical frames only destroys them.",
        "State data_bit_rates for the part, or move it to a classical network.",
    ),
)

CABLING = (
    _entry(
        "trunk-too-long",
        (CAUTION,),
        "A network's trunk is longer than its bit rate allows: by the table of lengths by bit "
        "rate, on J1939 networks by SAE J1939-11 and -14; in the data phase of CAN FD by "
        "busplan's own echo rule: the echo of an edge from the far end must be back before the "
        "data sample point.",
        "Lay the trunk on the shortest way, split the network with a gateway, or lower the bit "
        "rate.",
    ),
    _entry(
        "stub-too-long",
        (CAUTION,),
        "A node hangs on a longer branch than the bit rate allows, or all branches together are "
        "too long. Sources as for trunk-too-long; for the data phase the table is continued "
        "above 1 Mbit/s in proportion to the bit time.",
        "Lead the trunk past the nodes and loop it through them, so that the stubs are short.",
    ),
    _entry(
        "round-trip-too-long",
        (FAULT,),
        "A bit cannot travel to the farthest node and back before it is sampled: "
        "2·(transceivers + 5 ns/m·length) against sample point times bit time.",
        "Shorten the cable, lower the bit rate, or move the sample point later.",
    ),
    _entry(
        "terminators-wrong",
        (CAUTION, FAULT),
        "A network needs two terminators of 100 to 130 Ω (ISO 11898), one at each end, and so 50 "
        "to 65 Ω across the pair, those built into parts included.",
        "Fit 120 Ω at each end of the trunk and nowhere else; with the power off, 60 Ω must be "
        "measured across the pair.",
        "A fault when there are none or the pair is below 35 Ω (that bound: common practice, no "
        "source); a caution otherwise.",
    ),
    _entry(
        "terminator-inside-trunk",
        (CAUTION,),
        "By the order that the plan states along the trunk, a terminator sits at a node between "
        "the ends. Edges run past it to the open end and come back, although the ohms across the "
        "pair look right.",
        "Move the terminator to the end of the trunk, or lead the trunk so that it ends there.",
    ),
    _entry(
        "too-many-nodes",
        (CAUTION,),
        "More nodes on one network than it is specified for: 30 on J1939 (J1939-11 and -14, from "
        "memory), else about 110 (common practice, no source).",
        "Split the network with a gateway.",
    ),
    _entry(
        "bit-rate-not-reached",
        (FAULT,),
        "A controller's clock cannot be divided so that the bit rate and a sample point come out.",
        "Give the controller another clock, or choose a bit rate that divides it.",
    ),
    _entry(
        "sample-points-differ",
        (CAUTION,),
        "The nodes of a network sample their bits more than 5 % of the bit time apart (common "
        "practice, no source).",
        "Set all nodes to one sample point.",
    ),
    _entry(
        "cable-not-stated",
        (NOTE,),
        "The plan says nothing of the cable of a network, or of any, or leaves out its trunk or "
        "its terminators; what is left out is not judged.",
        "State trunk_m, stubs_m and terminators_ohm of the network's cable in the plan.",
    ),
    _entry(
        "stub-not-stated",
        (NOTE,),
        "The cable of a network is described, but not the stub of one of its nodes; it counts as "
        "0 m.",
        "State the node's stub in stubs_m, 0 where the trunk is looped through it.",
    ),
)

DEADLINES = (
    _entry(
        "deadline-missed",
        (FAULT,),
        "In the worst case that can be proven possible, a message arrives after its deadline (by "
        "default its cycle time), or the frames more urgent than it leave it no time at all. The "
        "worst case: every frame has the most stuff bits, and everything more urgent is queued "
        "at once, just after the longest less urgent frame has started.",
        "Give it a more urgent identifier, send what goes before it less often, or raise the bit "
        "rate.",
    ),
    _entry(
        "deadline-tight",
        (NOTE, CAUTION),
        "A message keeps its deadline only as long as nothing goes wrong: one single bus error "
        "(error frame and retransmission) can make it late.",
        "Give it a more urgent identifier, a later deadline, or fewer frames to wait for.",
        "A caution when the plan states the deadline; a note when it is only the cycle time, "
        "because the next frame then follows at once.",
    ),
    _entry(
        "route-too-late",
        (FAULT,),
        "A route's end-to-end latency in the worst case is above the deadline the plan states "
        "for it, or has no bound. It counts the source's response time, the gateway's delay, the "
        "period of the gateway's own message where a signal travels in one, and the response "
        "time on the next network.",
        "Shorten the part of the way that takes longest, or allow a later deadline.",
    ),
    _entry(
        "delay-not-stated",
        (NOTE,),
        "A route does not say how long its gateway takes, so that counts as 0 ms in latencies and "
        "response times.",
        "Ask the gateway's maker or measure it, and state delay_ms in the route.",
    ),
    _entry(
        "one-clock-assumed",
        (NOTE,),
        "The plan states send offsets of a node. Response times then count on it that all these "
        "messages are sent by one clock, each at its offset, and so are never all queued at once; "
        "nothing is assumed between nodes. A restart of one message by itself, or sending it also "
        "on event, breaks it.",
        "See to it in the node's firmware, or leave its offsets out of the plan.",
    ),
)

NEEDS = (
    _entry(
        "route-missing",
        (FAULT,),
        "A node receives a message that another network carries, and no route brings it over. "
        "The node never gets it.",
        "Add the route to the plan, place a gateway on both networks, or move the node.",
    ),
    _entry(
        "identifier-moved",
        (NOTE, CAUTION),
        "A node listens for a message under one identifier, and the plan has moved the sender to "
        "another one; or it knows the message of one node only, where several nodes of that part "
        "send it; or it has another J1939 address than the message is sent to. Unless the other "
        "side is told, the message never gets there.",
        "Set the new identifier in the receiver, or move another node instead.",
        "A note when the receiver's identifiers can be set, a caution when they are fixed.",
    ),
    _entry(
        "sender-missing",
        (NOTE,),
        "A node's definitions name a message it receives that nothing in the vehicle sends. "
        "Often it is optional; sometimes a part has been forgotten.",
        "Look into the manual of the node; if it needs them, plan a node that sends them.",
    ),
)

PAYLOADS = (
    _entry(
        "fd-on-classical",
        (FAULT,),
        "A definition says CAN FD, but the network is classical. Classical nodes answer every "
        "CAN FD frame with an error frame.",
        "Make the network CAN FD if all its nodes take it, or move the sender.",
    ),
    _entry(
        "message-too-long",
        (FAULT,),
        "A message is longer than one frame of its network can carry (8 bytes classical, 64 "
        "bytes CAN FD) and is no J1939 message, for which transport sessions exist, nor called "
        "segmented in the plan.",
        "Correct its length, split it, or state segmented in the plan if ISO 15765-2 sends it.",
    ),
    _entry(
        "sent-in-parts",
        (NOTE,),
        "A message travels in several frames, by a J1939 transport session or ISO 15765-2. Loads "
        "and response times count them all, at the identifiers they have. What the plan does not "
        "state of their pace and answers is assumed, and the finding says so.",
        "State pace_ms, window, answer_ms, session_priority and flow_control of the message as "
        "far as they are known, and watch its frames in a capture.",
    ),
)

PLANNED_LOAD = (
    _entry(
        "load-over-limit",
        (CAUTION, FAULT),
        "The messages of a network may take more of its time than its limit allows, with as many "
        "stuff bits as payloads can force. The limit is the plan's load_limit; else 40 % on a "
        "J1939 network (SAE J1939-11, as published in an engine installation manual) and 50 % "
        "elsewhere (common practice, no source). Load alone proves nothing: a network under its "
        "limit may still miss deadlines.",
        "Move nodes to another network, raise the bit rate, or send the biggest shares less often.",
        "A fault when they may take more time than there is; a caution otherwise.",
    ),
    _entry(
        "period-not-stated",
        (CAUTION,),
        "Neither definition nor plan states how often a message is sent. Loads leave it out; "
        "response times count it once for each other message and have none for itself. Both are "
        "too low.",
        "State cycle_ms, or min_distance_ms if it is sent on event, in the plan.",
    ),
)

ROUTES = (
    _entry(
        "route-carries-nothing",
        (CAUTION,),
        "A route of the plan names a message or signal that nobody sends on the network it "
        "starts from, or a signal that the gateway has no message for on the network it leads to.",
        "Correct the route's names, or the definition file of the gateway.",
    ),
    _entry(
        "route-sources-mixed",
        (CAUTION,),
        "A gateway puts the values of several senders, such as front and rear torque, into one "
        "signal or message. Whoever reads it gets now the one, now the other.",
        "Give each a signal of its own on the target network, or take all routes but one out.",
    ),
)

SERVICES = (
    _entry(
        "diagnostic-identifiers",
        (NOTE,),
        "Messages use identifiers that ISO 15765-4 gives to diagnostic requests and answers. A "
        "diagnostic tool plugged in later will disturb them, or take them for answers.",
        "If no such device will ever be connected, say so in the plan (diagnostics = false in the "
        "network's table); else give the messages other identifiers.",
    ),
    _entry(
        "canopen-identifiers",
        (NOTE,),
        "Messages use identifiers that CiA 301 gives to CANopen services. It matters only if a "
        "CANopen device is or will be on the network.",
        "If no such device will ever be connected, say so in the plan (canopen = false in the "
        "network's table); else give the messages other identifiers.",
    ),
)

SILENT = (
    _entry(
        "node-without-messages",
        (CAUTION,),
        "A node is placed on a network on which it neither sends anything nor receives anything "
        "that is sent there. It probably belongs on another network, or its definition file or "
        "sender name is not the right one.",
        "Move it to the network of its partners, or correct definitions and sender of the part.",
    ),
    _entry(
        "network-without-messages",
        (NOTE,),
        "Nothing that the plan knows of is sent on a network: no node is on it, or none of its "
        "nodes sends. What is said of its load, response times and identifiers says nothing.",
        "Place the nodes that belong there, or take the network out of the plan.",
    ),
)

CODES = (
    *CLASHES,
    *ADDRESSES,
    *AGREEMENT,
    *BIT_RATES,
    *CABLING,
    *DEADLINES,
    *NEEDS,
    *PAYLOADS,
    *PLANNED_LOAD,
    *ROUTES,
    *SERVICES,
    *SILENT,
)
