"""One node on the bench, held against its definition: is it what its maker says it is?

``prove`` is pure: ``prove_node(table, vehicle, node)`` gives the report (``node_report``).
``message`` judges one message, ``rhythm`` when it comes, ``signals`` its values (``raw_ends``,
``pack_values``: those that cannot be), ``counters_checksums`` its protection, named or not;
``uptime``, ``restarts`` and ``unacknowledged`` see the node as a whole, ``protocol`` what J1939
itself has it send, ``claims`` whether it claims its address at each start; ``supply`` knows when
it got power, ``fault_steps`` and ``fault_outcomes`` what faults by hand are to show and did.
``why_it_differs`` (``content_changes``, ``content_differs``, ``leaping``, ``identifiers_differ``,
``swapped``, ``versions``) gives one reason for many findings. ``joining`` puts the measured node on
its network and compares loads, findings and response times before and after; ``record`` adds who,
when and what, ``report_tables`` and ``page`` lay it out. ``run`` has the steps of a test;
``live_run`` puts those of a live one together, listening through ``busplan.live.listening``.

The rules of this room: a short test is judged by what it could have shown, and says what it could
not; nothing is asked of a node unless the caller hands over ``open_sender``, which the command
line does for ``--transmit`` alone.
"""
