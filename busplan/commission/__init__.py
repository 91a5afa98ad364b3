"""The commissioning of a build: its list of tests, and the journal of what came of each.

``entry`` is a line of the journal and the chain of hashes that binds it; ``journal_file`` appends
lines to a file; ``cover`` finds out which tests a capture covers and what it shows of each;
``state`` puts list and journal together; ``repair`` tells whether a pass shows a failure gone.

The rules of this room:

* Nothing in the journal is ever changed or removed: a correction is one more entry.
* A test is proven or failed by its latest entry that says so; *not shown* changes nothing, nor does
  a pass that could not have shown the failure before it. A test without any stays *open*.
* Each entry carries the hash of the one before it, so a change of any byte shows. What the chain
  cannot show is an end that was cut off: the report keeps the last hash for that.
"""
