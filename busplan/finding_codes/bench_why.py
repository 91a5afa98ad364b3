"""Codes of why a node on the bench differs from its definition."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "bench")

CODES = (
    _entry(
        "inputs-not-sent",
        (NOTE,),
        "The node's definition says that it receives messages that nobody on the bench sends. Many "
        "nodes send only once they are woken, enabled or asked, and many report missing messages "
        "as a fault.",
        "Connect their sender, or send them yourself with --transmit --feed FILE.",
    ),
    _entry(
        "identifier-width-differs",
        (FAULT,),
        "Messages come under the right number with an identifier of the other width, 29 bits for "
        "11 or the other way round. To every receiver that is another identifier.",
        "Set the width in the node, or correct the definition: in a DBC file the number of a "
        "29-bit identifier has its highest bit set.",
    ),
    _entry(
        "identifiers-moved",
        (FAULT,),
        "Missing messages come under identifiers that all lie the same distance off, with the "
        "right lengths and rates: another instance, address or variant of the part, or, where the "
        "others come as defined, likely another software.",
        "Set its address or instance, or place it so in the plan (source_address, "
        "identifier_offset), and test again; where only some have moved, ask the maker for the "
        "definition of this software.",
    ),
    _entry(
        "identifiers-swapped",
        (FAULT,),
        "Messages are wrong as defined and right when their identifiers are exchanged: two, in "
        "more than the range of one value (length, rate, counter or checksum, or in both), or a "
        "ring, each under the identifier of the next.",
        "Ask the maker which is right, the node or its definition, and have it corrected.",
    ),
    _entry(
        "definition-differs",
        (CAUTION, FAULT),
        "With one change of the definition, such as the other byte order, all values of a message "
        "are in range and steady, which they are not as defined. Where no range tells, steadiness "
        "alone may.",
        "Ask the maker which is right; correct the definition, not the node, when it was written "
        "by hand.",
        decides="A fault where values leave their range or sit at an end as defined; a caution "
        "where only steadiness speaks.",
    ),
    _entry(
        "definition-older",
        (NOTE,),
        "All defined messages come as defined, and others or longer payloads besides: the node "
        "likely has a later software than the definition.",
        "Ask the maker for the definition of this software.",
    ),
    _entry(
        "definition-version-differs",
        (NOTE,),
        "The version that the definition file states is none that the node tells of its software. "
        "A definition of another version may place or scale values otherwise; the version of a "
        "file may also count the file alone.",
        "Ask the maker which definition belongs to this software.",
    ),
    _entry(
        "identity-changes",
        (NOTE,),
        "A signal that is named like a serial number or a version takes several values in one "
        "test: the name misleads, or two parts send.",
        "Look at the values; unplug everything else from the bench and test again.",
    ),
    _entry(
        "values-freeze",
        (NOTE, CAUTION),
        "All values of a message that moved stopped at the same moment, for the rest of the test, "
        "while its frames went on: a task that hangs, or a node that went to rest.",
        "See whether the node went to rest then; if not, ask the maker.",
        "A caution where several of them went up and down all the time, as what is measured does; "
        "else a note.",
    ),
    _entry(
        "unlike-sample",
        (CAUTION,),
        "The node differs from an earlier record of the same part in rates, lengths, protection, "
        "identifiers or values that stand still.",
        "Compare versions and labels of both; test both again side by side.",
    ),
    _entry(
        "like-sample",
        (NOTE,),
        "The node is as an earlier record of the same part. That says nothing of the sample.",
        "Nothing.",
    ),
    _entry(
        "sample-identity-differs",
        (NOTE,),
        "The node says of itself other than the sample did. Serial numbers differ, versions should "
        "not.",
        "See whether only what should differ does.",
    ),
    _entry(
        "sample-of-another-part",
        (CAUTION,),
        "The record to compare with is of another part, so nothing was compared.",
        "Give a record of the same part.",
    ),
    _entry(
        "part-not-passed",
        (CAUTION, FAULT),
        "A part of a batch did not pass its test; its own record says why.",
        "Open its record; test again when the cause is found.",
        "A fault when it failed, a caution when it is doubtful.",
    ),
    _entry(
        "part-stands-out",
        (CAUTION,),
        "A part of a batch lies farther from the middle of its peers than their scatter explains.",
        "Test it again; compare its versions with those of the others.",
    ),
    _entry(
        "parts-mixed",
        (CAUTION,),
        "Records of several kinds of parts are in one folder, so their spreads mean nothing.",
        "Keep the records of each kind in a folder of their own.",
    ),
    _entry(
        "serial-twice",
        (NOTE,),
        "A serial number has several records: two labels with one number, or one part tested "
        "again.",
        "See that the last test is the one that counts, and of the same part.",
    ),
    _entry(
        "serial-not-stated",
        (CAUTION,),
        "Records without a serial number: nobody can tell which part was tested.",
        "Test with --serial.",
    ),
    _entry(
        "serial-missing",
        (NOTE,),
        "A run of tested serial numbers leaves some out.",
        "Test the part, or note where it is.",
    ),
    _entry(
        "signal-beyond-plan",
        (FAULT,),
        "A value leaves the limits that the plan states for this part on the bench.",
        "Check sensor and supply; if the part is sound, correct the limits in the plan.",
    ),
    _entry(
        "signal-step-large",
        (FAULT,),
        "A value changes by more than the plan allows from one frame to the next. What cannot move "
        "so fast was not measured.",
        "Check sensor, plug and wire; if the part is sound, correct the limit in the plan.",
    ),
    _entry(
        "signal-did-not-move",
        (CAUTION,),
        "A value never changed though the plan says that it has to move during the test.",
        "Make the quantity change during the test.",
    ),
    _entry(
        "cycle-not-back",
        (CAUTION,),
        "After a power-on of the test nothing of the node was heard: it did not start, or nobody "
        "switched it on.",
        "Test again and see that it gets its supply at each prompt.",
    ),
    _entry(
        "cycle-not-off",
        (CAUTION,),
        "In some power cycles of the test the node was not seen to go off, so they say nothing.",
        "Switch it off and on when the prompts come; leave it off for longer.",
    ),
    _entry(
        "start-incomplete",
        (FAULT,),
        "A message came in some power cycles only. A node that does not always start whole leaves "
        "its receivers waiting.",
        "Look at its supply at power-on; ask the maker what it waits for.",
    ),
    _entry(
        "start-uneven",
        (CAUTION,),
        "The first frame of a message comes at very different times after the node's first one "
        "from power-on to power-on.",
        "Ask the maker what the start waits for.",
    ),
    _entry(
        "checksum-wrong-at-start",
        (FAULT,),
        "A message had wrong checksums among its first frames after power-on.",
        "Ask the maker: it sends before its checksum is set up.",
    ),
    _entry(
        "expected-told-otherwise",
        (CAUTION,),
        "A node tells another version, serial number or setting than the plan expects of it.",
        "Have it changed, or make sure that it fits and state it in the plan.",
    ),
    _entry(
        "expected-not-told",
        (NOTE,),
        "A node did not tell a version, serial number or setting that the plan expects of it.",
        "Record it while it tells, or ask it on the bench with --transmit.",
    ),
    _entry(
        "identical-parts-differ",
        (CAUTION,),
        "Nodes of one part tell different versions or settings where the plan wants them alike.",
        "Ask the maker which of them belongs into this vehicle, and make them alike.",
    ),
)
