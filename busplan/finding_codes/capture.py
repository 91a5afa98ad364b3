"""Codes of reading captures."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, NOTE, FindingCode

_entry = partial(FindingCode, "capture")

CODES = (
    _entry(
        "capture-entry-unreadable",
        (CAUTION,),
        "Entries of a capture could not be read and were set aside. What they recorded is missing "
        "from every figure.",
        "Look at these places; a disk or link fault while recording often tears lines.",
    ),
    _entry(
        "capture-ends-early",
        (CAUTION,),
        "A file of a capture ends early: cut, damaged from some place on, or shorter than its "
        "header says. What followed is not there.",
        "Compare with the original file if there should be more.",
    ),
    _entry(
        "capture-entry-not-a-frame",
        (NOTE,),
        "Entries of a capture hold something other than a frame, such as status or statistics. "
        "They are not evaluated.",
        "Nothing, unless frames seem to be missing.",
    ),
    _entry(
        "capture-lines-joined",
        (CAUTION,),
        "Lines of a text format go on otherwise than the others after their frame, or hold one "
        "more. Several lines may have become one, and what stood between is missing.",
        "Look at the lines; a disk or link fault while recording tears them so.",
    ),
    _entry(
        "capture-numbers-jump",
        (NOTE,),
        "A format numbers its frames, and the numbers jump: frames are not in the file, lost or "
        "left out when it was saved.",
        "Compare with the recorder's own file if it should be whole.",
    ),
    _entry(
        "capture-count-differs",
        (NOTE, CAUTION),
        "The header of a file counts more entries than frames could be read. The others are of "
        "another kind, or lost.",
        "Compare with the recorder's own count of frames.",
        "A caution when the file also ends early, a note otherwise.",
    ),
    _entry(
        "capture-header-incomplete",
        (NOTE,),
        "The header of a file was never completed, because the recorder was stopped without "
        "closing it. Nothing tells whether frames are missing.",
        "Check that the last recorded time is the one you expect.",
    ),
    _entry(
        "capture-cache-damaged",
        (NOTE,),
        "The kept copy of a capture was damaged and has been built anew. Only the time to open "
        "the capture changes, never its frames.",
        "Check the disk when this comes back; --no-cache reads without keeping.",
    ),
    _entry(
        "capture-cache-unusable",
        (NOTE,),
        "The folder for kept copies of captures cannot be used. Only the time to open the capture "
        "changes, never its frames.",
        "Let BUSPLAN_CACHE_DIR name a folder that can be written and has room, and check the disk "
        "when this comes back; --no-cache reads without keeping.",
    ),
    _entry(
        "length-code-above-eight",
        (NOTE,),
        "Classical frames were recorded with a length code above 8. Each holds 8 bytes and is kept "
        "as such: only the code differs on the wire.",
        "Nothing, unless a receiver of yours reads the code itself.",
    ),
    _entry(
        "length-field-differs",
        (NOTE,),
        "Frames were recorded with another length stated than the bytes carried. Formats mix "
        "length and length code; the bytes are believed.",
        "Check one of these frames against the bus if its length matters.",
    ),
    _entry(
        "frame-kind-assumed",
        (CAUTION,),
        "Frames of more than 8 bytes are taken as CAN FD without bit-rate switch, because the "
        "format does not say. Their time on the wire is then longer than it was.",
        "Record CAN FD networks in a format that keeps the frame's kind.",
    ),
    _entry(
        "identifier-width-assumed",
        (NOTE,),
        "No column of a CSV file says which identifiers have 29 bits: those above 0x7FF are taken "
        "so, all others as 11 bits. A 29-bit identifier below 0x800 is then another message.",
        "Nothing, unless such identifiers are used; then name the column that tells with "
        "--columns extended=NAME.",
    ),
    _entry(
        "channels-not-recorded",
        (NOTE, CAUTION),
        "The format of a file does not say which channel a frame came from. Frames of several "
        "networks with equal identifiers cannot be told apart.",
        "Record in a format that keeps channels, or one file for each network and say which with "
        "--channel unnamed=NETWORK.",
        "A note when the user has said which network it is, a caution otherwise.",
    ),
    _entry(
        "channel-name-shared",
        (NOTE, CAUTION),
        "Files that overlap in time call a channel by the same name. They are kept apart, because "
        "joining different buses would invent traffic.",
        "Name each one with --channel, or give their names as channels in the plan.",
        "A note when every one of them was given a name by the user, a caution otherwise.",
    ),
    _entry(
        "channel-unknown",
        (CAUTION,),
        "The plan gives a channel of the capture to no network. Its frames cannot be decoded nor "
        "counted to a network's load.",
        "Add it to the channels of its network in the plan.",
    ),
    _entry(
        "channels-swapped",
        (CAUTION,),
        "Few identifiers of a channel belong to the network the plan gives it to, and most belong "
        "to another. What is decoded by the wrong definitions means nothing.",
        "Name the channels with --channel as the finding says, or correct them in the plan.",
    ),
    _entry(
        "time-zone-unknown",
        (NOTE,),
        "A file does not say in which zone its clock ran, so its times are shown as UTC. Recorders "
        "often write their local time, which may be hours away.",
        "Where the hour matters, correct it with --offset.",
    ),
    _entry(
        "time-steps-back",
        (NOTE, CAUTION),
        "Frames are stamped earlier than the frame before them: several adapters in one file, or a "
        "clock set while recording. Order and cycle times around these places are not certain.",
        "Nothing for small steps; for large ones evaluate the parts apart.",
        "A note for steps of up to 10 ms, an ordinary blemish of adapters that share a file; a "
        "caution beyond.",
    ),
    _entry(
        "time-gap",
        (NOTE,),
        "No channel recorded a frame for more than 10 s: the vehicle slept, the recorder stopped, "
        "or a clock jumped. Mean loads include the pause.",
        "Judge the parts before and after on their own.",
    ),
    _entry(
        "time-not-believable",
        (CAUTION,),
        "Frames are stamped far outside the recording: a stale frame from the recorder's buffer, "
        "or a wrong clock. Span and load leave them out; nothing was rewritten.",
        "Nothing for a single first frame; check the recorder's clock otherwise, and open the "
        "parts as captures of their own.",
    ),
    _entry(
        "files-apart",
        (NOTE,),
        "A file of the capture begins more than 10 s after the others end. Nothing was recorded "
        "between them, or two recorders of one drive had clocks that differ.",
        "If they recorded at the same time, shift one with --offset.",
    ),
    _entry(
        "files-not-aligned",
        (CAUTION,),
        "Several files each count from their own start, so nothing says how they lie in time to "
        "each other. They are shown as if they had begun together.",
        "Say how they align with --offset.",
    ),
    _entry(
        "frames-doubled",
        (CAUTION,),
        "Frames of a channel come twice, sooner than a bus can repeat them: an echoing adapter, or "
        "two recorders in one file. Loads are up to twice what they were, cycle times are wrong.",
        "Record again with the echo off, or with one recorder for each channel.",
    ),
)
