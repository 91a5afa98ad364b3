"""Codes of one node held against its definition."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "bench")

CODES = (
    _entry(
        "node-silent",
        (FAULT,),
        "None of the messages of the tested node came, so there is nothing to judge. What it was "
        "asked and did not answer is named with it.",
        "See busplan bench --wiring for what to measure when nothing arrives.",
    ),
    _entry(
        "node-unacknowledged",
        (CAUTION,),
        "One frame comes again and again, back to back: nobody on the bench acknowledges it. The "
        "test has not begun, so nothing else is told and the node is not proven.",
        "Add a second node to the bench, or let the adapter acknowledge with --acknowledge.",
    ),
    _entry(
        "node-restarts",
        (CAUTION, FAULT),
        "The node restarted during the test: its counters began anew, mostly after a silence of "
        "all its messages. A watchdog, the supply or a loose connector makes it restart.",
        "Watch its supply while you move the connector; ask the maker what its watchdog waits for.",
        "A fault when two counters or more began anew, a caution when one did, once.",
    ),
    _entry(
        "node-pauses",
        (CAUTION,),
        "All messages of the node paused at once for longer than its quickest cycle allows, and "
        "nothing in them says that it restarted.",
        "Look at supply, connector and wiring; a drop of the recorder shows in its journal.",
    ),
    _entry(
        "starts-late",
        (CAUTION, FAULT),
        "The first frame of the node came later after power-on than allowed. Nodes that wait for "
        "it at power-up may give it up.",
        "Ask the maker for the start-up time, and let the others wait longer.",
        "A caution where the hand that switched may be the reason.",
    ),
    _entry(
        "stops-early",
        (CAUTION,),
        "The node sent nothing more for longer than its quickest cycle allows before the test "
        "ended. Unless somebody switched it off, it has failed during the test.",
        "Repeat the test; watch its supply and its wake-up line.",
    ),
    _entry(
        "on-before-power",
        (CAUTION,),
        "The node was sending before it is said to have got power, so its start was not measured.",
        "Switch it off, start the test, and switch it on when you are told to.",
    ),
    _entry(
        "start-not-shown",
        (CAUTION,),
        "The start of the node was to be timed, and no moment of power-on or no frame after it was "
        "seen. The test proves nothing of how soon the node comes up.",
        "Record from before it is switched on until it has sent for a while, and tell the moment "
        "with --power-on, counted from the first frame.",
    ),
    _entry(
        "bus-errors",
        (NOTE, CAUTION),
        "Error frames came during the test. A short, quiet bench pair has none; each one costs the "
        "time of a frame.",
        "Look at bit rate, sample point, terminators and plugs; see busplan bench --wiring.",
        "A caution when more than 1 of 100 entries is an error frame, a note otherwise.",
    ),
    _entry(
        "silent-after-error",
        (CAUTION, FAULT),
        "After a bus error the node was silent for longer than allowed. A node that leaves the bus "
        "after an error takes its functions with it.",
        "Ask the maker how it recovers from bus-off, and look at wiring and bit rate.",
        "A caution when it came back before the capture ended, a fault when it did not.",
    ),
    _entry(
        "hand-fault-held",
        (NOTE,),
        "A fault that the tester made by hand left its trace in the recording, and the node came "
        "through it. That it was this fault is the tester's word.",
        "Nothing.",
    ),
    _entry(
        "hand-fault-restart",
        (CAUTION,),
        "The node came through a fault of the wires made by hand, but it restarted: its counters "
        "began anew.",
        "Ask the maker why a fault of the wires makes it restart.",
    ),
    _entry(
        "hand-fault-failed",
        (FAULT,),
        "After a fault made by hand the node did not come back, not with all its messages, or it "
        "sent wrong frames.",
        "Ask the maker how it recovers; test again.",
    ),
    _entry(
        "hand-fault-not-shown",
        (NOTE, CAUTION),
        "A fault was to be made by hand, and nothing in the recording shows it, so nothing is said "
        "of the node.",
        "Make the fault again when the prompts come.",
        "A note for a missing terminator, which mostly leaves no trace; else a caution, and the "
        "node is not proven.",
    ),
    _entry(
        "recording-not-whole",
        (CAUTION,),
        "The computer or its adapter lost frames during the test, or its clock was set back. "
        "Nothing is judged over that time, and the node is not proven.",
        "Close other programs, look at the adapter and its cable, let nobody set the clock, and "
        "test again.",
    ),
    _entry(
        "message-begins-late",
        (NOTE, CAUTION),
        "A cyclic message was not there at first, while the node already sent others.",
        "See what it waited for; switch the node off and on and test again.",
        "A caution when the node was on before listening began, or when the message came more than "
        "10 s and 10 cycles late; else a note: nodes start their messages one after the other.",
    ),
    _entry(
        "message-missing",
        (FAULT,),
        "A message that the node should send by itself never came. Receivers wait for it, time out "
        "or run on an old value.",
        "See whether the node is in the right mode and has the software its definition belongs to.",
    ),
    _entry(
        "message-not-seen",
        (CAUTION,),
        "A message that is sent on an event, or of which nobody states how often it is sent, never "
        "came, so nothing can be said about it, and the node is not proven.",
        "Bring the event about during the test, or call the message optional in the plan.",
    ),
    _entry(
        "message-not-due",
        (CAUTION,),
        "A message never came, but the test was too short for its cycle time, so nothing can be "
        "said about it, and the node is not proven.",
        "Test for longer.",
    ),
    _entry(
        "frames-too-few",
        (CAUTION,),
        "A cyclic message came in fewer than 10 frames: too few for its cycle time and tolerance "
        "to mean something, so the node is not proven.",
        "Test for as much longer as the finding says.",
    ),
    _entry(
        "signal-not-seen",
        (CAUTION,),
        "Signals of a message, such as pages of a multiplexed one, were in no frame of the test, "
        "so nothing can be said about them and the node is not proven.",
        "Bring the node into the state in which it sends them, or name them as optional in the "
        "plan.",
    ),
    _entry(
        "rate-not-stated",
        (CAUTION,),
        "Neither the definition nor the plan states how often a message comes. Its rate was not "
        "judged, so the node is not proven.",
        "State cycle_ms or min_distance_ms of the message in the plan.",
    ),
    _entry(
        "message-stopped",
        (FAULT,),
        "A message ended while the node went on sending others. Receivers time out or run on its "
        "last value.",
        "See what happened at that time, and whether it depends on a mode.",
    ),
    _entry(
        "message-undefined",
        (CAUTION, FAULT),
        "An identifier came that no definition of the tested part has. It takes room, may clash "
        "with another node's identifier, and nobody knows its meaning.",
        "Ask the maker what it is; switch it off or add it to the definition. Where others are "
        "connected, test the node alone.",
        "A caution where messages of other nodes came, too, and no source address says whose it "
        "is: it may be one of theirs. Else a fault.",
    ),
    _entry(
        "cycle-time-off",
        (CAUTION, FAULT),
        "The median distance of a message's frames is not its stated cycle time, beyond the "
        "tolerance. Slower starves receivers, faster takes room on the network from others.",
        "Ask the maker for the definition of this software, or state the real cycle time in the "
        "plan and check the plan again.",
        "A fault from 3 distances between frames on, a caution with fewer.",
    ),
    _entry(
        "gap-too-long",
        (CAUTION,),
        "Between two frames of a cyclic message the node paused for longer than allowed. Receivers "
        "with a time-out may have given it up.",
        "See what happened at that time; a drop of the recorder shows in its journal.",
    ),
    _entry(
        "events-too-close",
        (FAULT,),
        "A message sent on an event came again sooner than its stated least distance. Response "
        "times are proven for that distance only.",
        "State the real least distance in the plan, or have the node slowed down.",
    ),
    _entry(
        "jitter-large",
        (CAUTION,),
        "1 of 100 distances of a message's frames lies farther beside the median than allowed. "
        "Response times are proven for the jitter in the plan.",
        "State the measured jitter in the plan (jitter_ms) and look at the timing.",
    ),
    _entry(
        "cycle-drifts",
        (CAUTION, FAULT),
        "The distance of a message's frames is another one at the end of the test than at its "
        "beginning. What moves during a short test moves on during a drive.",
        "Test for longer, warm and cold; ask the maker what sets this period.",
        "A fault when it ends beyond the tolerance of the stated cycle, else a caution.",
    ),
    _entry(
        "frame-format-differs",
        (FAULT,),
        "Frames are classical where the definition says CAN FD, or the other way round. A "
        "classical controller answers every CAN FD frame with an error frame.",
        "Ask the maker for the definition of this software, or how to set its format.",
    ),
    _entry(
        "bit-rate-switch-differs",
        (CAUTION,),
        "CAN FD frames come without the bit-rate switch that the definition states, or with one "
        "that it does not. Their data phase takes another time on the wire than planned.",
        "Ask the maker which is right, and see that the recording's format keeps the switch.",
    ),
    _entry(
        "payload-short",
        (FAULT,),
        "The node sends frames with fewer bytes than its definition says. Receivers read bytes "
        "that were not sent, or drop the frame.",
        "Ask the maker for the definition of this software.",
    ),
    _entry(
        "payload-long",
        (FAULT,),
        "The node sends frames with more bytes than its definition says, so the definition does "
        "not describe all that it sends.",
        "Ask the maker for the definition of this software.",
    ),
    _entry(
        "signal-still",
        (NOTE,),
        "Signals of 8 bits and more never changed during the test. A value that cannot move looks "
        "the same as one that had no reason to.",
        "Make the quantity change during the test if you need to be sure.",
    ),
    _entry(
        "signal-out-of-range",
        (FAULT,),
        "The node sends values beyond the range its definition states. Receivers may clip, ignore "
        "or misread them.",
        "Ask the maker which is wrong, the definition or the node.",
    ),
    _entry(
        "signal-no-number",
        (CAUTION,),
        "A floating-point value is no number or infinite (IEEE 754). An open sensor or a division "
        "by zero sends so; receivers that calculate with it get no number either.",
        "Check the sensor and its wire; ask the maker what it means.",
    ),
    _entry(
        "signal-at-end",
        (CAUTION,),
        "A value sits at the first or last number that its bits can carry, such as -40 °C or "
        "6553.5 A. An open or shorted input and an overflow read so; it is no measurement, even "
        "where the stated range ends there too. Single frames tell when they come there and back "
        "from far off several times, as from a loose wire.",
        "Check the sensor and its wire, or let the quantity move; if it is a code, name it in the "
        "definition's value table.",
    ),
    _entry(
        "value-without-name",
        (NOTE,),
        "A signal takes values that its value table does not name. A display or a log can only "
        "show a number for them.",
        "Ask the maker for the missing names.",
    ),
    _entry(
        "counter-stuck",
        (CAUTION,),
        "A counter keeps one value through the whole test. If it counts frames, a receiver that "
        "watches it takes the sender for stuck.",
        "Ask the maker what it counts and whether it has to be switched on.",
    ),
    _entry(
        "counter-wraps-early",
        (CAUTION,),
        "A counter starts again below the top that its definition gives it. A receiver that counts "
        "by the definition takes each return for lost frames.",
        "Ask the maker where it starts again, and state that as its maximum.",
    ),
    _entry(
        "counter-steps-wide",
        (CAUTION,),
        "A counter of frames counts steadily by more than one. A receiver that expects one takes "
        "each frame for several lost ones; it may be one counter for several messages.",
        "Ask the maker by how much it counts, and tell whoever writes the receiver.",
    ),
    _entry(
        "counter-counts-down",
        (CAUTION,),
        "A counter of frames counts steadily down. A receiver that expects the next higher count "
        "takes each frame for lost ones.",
        "Ask the maker which way it counts, and tell whoever writes the receiver.",
    ),
    _entry(
        "counter-skips",
        (FAULT,),
        "A counter skips counts. A skipped count means a frame that was not sent, or lost on the "
        "way.",
        "See whether the recorder dropped frames; if not, ask the maker.",
    ),
    _entry(
        "counter-repeats",
        (FAULT,),
        "A counter that counts otherwise stands still in places. A receiver that watches it takes "
        "the sender for stuck.",
        "See whether the recorder dropped frames; if not, ask the maker.",
    ),
    _entry(
        "checksum-wrong",
        (FAULT,),
        "A checksum is wrong in some frames. Receivers that check it drop these frames.",
        "Look at the first one; if it is always wrong, the kind differs from the one told or "
        "found.",
    ),
    _entry(
        "checksum-not-recognised",
        (NOTE, CAUTION),
        "A signal is named like a checksum, but no known kind fits its frames, nor "
        "any linear function of all other bits, so they could not be checked.",
        "Ask the maker how it is made, and tell it with --checksum.",
        "A caution, and the node is not proven, where the payloads changed enough to tell; else a "
        "note.",
    ),
    _entry(
        "checksum-kind-differs",
        (CAUTION,),
        "The frames carry a checksum of another published kind than the CRC that the comment of "
        "its definition names. Receivers made by that comment drop every frame.",
        "Ask the maker which is right, and tell it with --checksum.",
    ),
    _entry(
        "checksum-covers-less",
        (CAUTION,),
        "A checksum is that of the payload alone, and the comment of its definition says that it "
        "covers the identifier. Receivers made by that comment drop every frame.",
        "Ask the maker which is right.",
    ),
    _entry(
        "checksum-cover-open",
        (NOTE,),
        "The comment of a definition says that a checksum covers the identifier; the frames do not "
        "tell, since the identifier is the same in all of them.",
        "Ask the maker for one frame worked out by hand.",
    ),
    _entry(
        "checksum-still",
        (CAUTION,),
        "A checksum never changes while the bytes that it covers do. It protects nothing, and "
        "receivers that check it drop nearly all frames.",
        "Ask the maker whether it has to be switched on, or is not used.",
    ),
)
