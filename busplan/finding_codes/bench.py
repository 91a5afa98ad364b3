"""Codes of one node held against its definition."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "bench")

CODES = (
    _entry(
        "node-silent",
        (FAULT,),
        "None of the messages of the tested node came, so there is nothing to judge.",
        "See busplan bench --wiring for what to measure when nothing arrives.",
    ),
    _entry(
        "starts-late",
        (FAULT,),
        "The first frame of the node came later after power-on than allowed. Nodes that wait for "
        "it at power-up may give it up.",
        "Ask the maker for the start-up time, and let the others wait longer.",
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
        "message-missing",
        (FAULT,),
        "A message that the node should send by itself never came. Receivers wait for it, time out "
        "or run on an old value.",
        "See whether the node is in the right mode and has the software its definition belongs to.",
    ),
    _entry(
        "message-not-seen",
        (CAUTION,),
        "A message that is sent on an event never came, so nothing can be said about it, and the "
        "node is not proven.",
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
        (FAULT,),
        "The tested node sends an identifier that no definition of this part has. It takes room, "
        "may clash with another node's identifier, and nobody knows its meaning.",
        "Ask the maker what it is; switch it off or add it to the definition.",
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
        (NOTE,),
        "A signal is named like a checksum, but none of the published kinds fits its frames, so "
        "they could not be checked.",
        "Ask the maker how it is made, and tell it with --checksum.",
    ),
)
