"""What to change so that everything is in time and has a name of its own, and why not less.

Two layers. *Placement* is a mixed-integer programme (``problem``, ``rows``, ``room``,
``programme``): its rows are necessary conditions, so its optimum is a bound. Its answer is judged
network by network (``judge``); a smallest set that misses its deadlines whatever the identifiers
becomes one more row, until all networks are in time (``search``). Queues first in, first out
(``queues``) and delays that gateways bring (``delays``) are judged so too, with all they rest on
named, so that they are in the bound. The changed plan is judged by
itself (``whole``), and when no placement is left, ``conflict`` says why. ``asking`` makes the
question of a plan, ``applying`` a change of the plan of the answer.

*Identifiers* of one network are searched exactly (``order``, ``fewest``, ``identifiers``).
Whether a message is in time depends only on the set of messages that go before it, so the urgency
order of a network can be found from the least urgent place upwards without trying orders (Audsley,
"On priority assignment in fixed priority scheduling", Information Processing Letters 79:39-44,
2001). Which messages have to change is a hitting set, solved as a mixed-integer programme that
grows by one inequality each time its answer fails; the inequalities hold for every order, so its
optimum is a lower bound that is proven. The test of one message is the project's own fixed point
(:mod:`busplan.timing`), and the last word has the timing of the changed plan. What is wanted beyond
today's deadlines (``wants``) is another model or another distance of bus errors for the same
search, and another question of placement; ``wanted`` also asks how close bus errors may come, and
what bearing one would take. Where nothing helps, ``impossible`` makes a set of messages of which
none can be left out, and ``part_offsets`` moves parts as a whole.

*Send offsets* (``offsets``) are spread before identifiers, for nodes that are named, and let go
where they gain nothing (``offset_gain``); ``alone`` goes through all three where no node moves.
"""
