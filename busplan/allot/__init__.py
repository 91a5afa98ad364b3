"""Which identifiers to change so that every frame arrives in time, and why not fewer.

Whether a message is in time depends only on the set of messages that go before it, so the urgency
order of a network can be found from the least urgent place upwards without trying orders (Audsley,
"On priority assignment in fixed priority scheduling", Information Processing Letters 79:39-44,
2001). Which messages have to change is a hitting set, solved as a mixed-integer programme that
grows by one inequality each time its answer fails; the inequalities hold for every order, so its
optimum is a lower bound that is proven. The test of one message is the project's own fixed point
(:mod:`busplan.timing`), and the last word has the timing of the changed plan.
"""
