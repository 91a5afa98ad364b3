"""Codes of reading definition files."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, NOTE, FindingCode

_entry = partial(FindingCode, "definitions")

CODES = (
    _entry(
        "definition-encoding",
        (NOTE,),
        "A definition file is not UTF-8 and was read in another encoding, so units and names may "
        "hold wrong letters.",
        "Look at the units; if they are wrong, save the file as UTF-8.",
    ),
    _entry(
        "definition-line-set-aside",
        (NOTE, CAUTION),
        "A line of a definition file could not be read and was left out; all else was read.",
        "Mend the line in the file, or ask its maker.",
        "A caution when the line defines a message, a signal, its multiplexing or its number "
        "format, or cannot be told; a note for everything else.",
    ),
    _entry(
        "definition-bit-rate-hint",
        (NOTE,),
        "A definition file mentions a bit rate. The plan's bit rates count; the file's is only "
        "used where the plan states none for the part.",
        "State the part's bit rates in the plan if the file is not to be trusted.",
    ),
    _entry(
        "definition-nodes-missing",
        (NOTE,),
        "A definition file has no list of nodes, so a misspelt sender cannot be told from a node "
        "that only listens.",
        "Look through the names of senders in the file.",
    ),
    _entry(
        "definition-no-messages",
        (CAUTION,),
        "A definition file defines no message at all: a part with it sends and receives nothing "
        "that could be planned or decoded.",
        "Ask the maker for the complete file.",
    ),
    _entry(
        "definition-repeated-identifier",
        (CAUTION,),
        "One definition file gives one identifier to several messages. All are kept apart; a "
        "frame could be any of them.",
        "Find out which one the part sends and take the others out.",
    ),
    _entry(
        "definition-signals-overlap",
        (CAUTION,),
        "Two signals of a message share bits and no selector tells them apart; at most one of "
        "them can be right.",
        "Ask the maker which one the part sends.",
    ),
    _entry(
        "definition-signal-outside",
        (CAUTION,),
        "A signal reaches past the end of its message, so frames of the stated length do not "
        "carry it.",
        "Compare with what the part sends and mend the length or the signal.",
    ),
    _entry(
        "definition-odd-length",
        (CAUTION,),
        "A message has a length that no frame of its kind can have. Loads count it in the next "
        "longer frame, or as several frames.",
        "State the frame format in the file, or mend the length.",
    ),
    _entry(
        "definition-selectors-endless",
        (CAUTION,),
        "Signals whose selectors depend on each other in a circle, or on more selectors than any "
        "message has, were set aside: no frame can be told to carry them.",
        "Mend the multiplexing in the file.",
    ),
    _entry(
        "definition-selector-missing",
        (CAUTION,),
        "Multiplexed signals depend on a selector that their message does not have, or nothing "
        "says on which, so it cannot be told which frames carry them. They are set aside and "
        "decoded in none.",
        "Mark the selector with M in the file, or mend its line.",
    ),
    _entry(
        "definition-flag-missing",
        (CAUTION,),
        "An identifier above 0x7FF lacks the flag that says it has 29 bits. It was read as a "
        "29-bit identifier, with all that the file says of it.",
        "Compare with a capture; if it is right, add 2147483648 to the number in the file.",
    ),
    _entry(
        "definition-mended",
        (NOTE,),
        "Something that the format does not allow, but that can only be meant in one way, was "
        "read so: a name that begins with a digit, a number such as .25, one long name for two "
        "signals.",
        "Mend the file; other programs may refuse it.",
    ),
)
