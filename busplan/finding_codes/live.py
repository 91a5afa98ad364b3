"""Codes of live buses: what the journal of a recording tells, and answers to requests."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "live")

CODES = (
    _entry(
        "interface-gone",
        (FAULT,),
        "The interface to a network has gone; nothing is heard of that network.",
        "Plug it in again; it is tried each second.",
    ),
    _entry(
        "interface-back",
        (CAUTION,),
        "An interface that had gone is back. What was sent meanwhile is missing.",
        "Look at the cable of the adapter.",
    ),
    _entry(
        "buffer-overflow",
        (CAUTION,),
        "The buffer of an interface ran over, so frames are missing.",
        "Close other programs, or use an interface with a larger buffer.",
    ),
    _entry(
        "nothing-heard",
        (NOTE, CAUTION),
        "No frame came from a network within the time to wait for one.",
        "See busplan bench --wiring for what to measure.",
        "A caution; a note once frames have come.",
    ),
    _entry(
        "frames-dropped",
        (CAUTION,),
        "Frames were received faster than they could be written; they are in no file.",
        "Record fewer networks at once, on a disk that keeps up.",
    ),
    _entry(
        "frames-set-aside",
        (CAUTION,),
        "A driver handed out frames that no network carries or no log can hold (a negative time, "
        "an identifier of too many bits, an impossible length). They are in no file.",
        "Look at the driver of the adapter.",
    ),
    _entry(
        "reader-lost",
        (FAULT,),
        "The thread that reads an interface died or did not come back. The interface is opened "
        "anew; what was sent meanwhile is missing.",
        "Look at the adapter and its driver.",
    ),
    _entry(
        "listening-stalled",
        (CAUTION,),
        "This computer did not listen for some seconds: it was asleep, or had no time. What its "
        "buffers could not hold is missing, and nothing is judged over that time.",
        "Keep it awake, and close other programs.",
    ),
    _entry(
        "file-gone",
        (FAULT,),
        "The file of a recording, or its folder, was removed while it was written. The recording "
        "goes on in another file, with what could be saved of the first.",
        "Keep other programs away from the folder of a recording.",
    ),
    _entry(
        "controller-state",
        (CAUTION,),
        "The adapter's controller is not in order: it warns of errors, is passive or off the bus.",
        "Look at bit rate, terminators and plugs.",
    ),
    _entry(
        "listening-failed",
        (FAULT,),
        "Listening has ended because of an error; what is shown is no longer the present.",
        "Leave the screens and start again.",
    ),
    _entry(
        "rotation-failed",
        (CAUTION,),
        "The next file of a recording could not be begun; the one before goes on growing.",
        "Make room for the next file, or let this one grow.",
    ),
    _entry(
        "disk-back",
        (NOTE,),
        "The disk takes data again after a trouble while recording.",
        "See how much is missing in the journal.",
    ),
    _entry(
        "disk-trouble",
        (FAULT,),
        "The disk does not take the recording, so frames are being lost.",
        "Make room on the disk.",
    ),
    _entry(
        "clock-jumped",
        (CAUTION,),
        "The clock of the recording computer jumped. Time stamps before and after do not fit "
        "together.",
        "Evaluate the parts before and after apart.",
    ),
    _entry(
        "request-unanswered",
        (FAULT,),
        "A request that was sent because the user said so got no answer in time. Nodes that rely "
        "on asking will not get their value. Of a node that sends nothing at all node-silent tells "
        "it.",
        "Ask the maker whether this software answers requests.",
    ),
    _entry(
        "request-refused",
        (CAUTION,),
        "A request was answered with a refusal, which is no answer: the value was not given.",
        "Ask the maker in which session or state the node answers.",
    ),
    _entry(
        "answer-unexpected",
        (FAULT,),
        "An answer has not the bytes that the tester expects. It is another version, another part "
        "or another state than the test is for.",
        "Compare the label with the order, and the expectation with the manual.",
    ),
    _entry(
        "request-answered",
        (NOTE,),
        "A request that was sent because the user said so was answered.",
        "Nothing; the time it took is in the finding.",
    ),
)
