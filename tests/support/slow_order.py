"""The search for an order the slow, plain way, for the compiled one to equal."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from busplan.allot.order import END, Failure, NetworkOrder

InTime = Callable[[int, frozenset[int]], bool]


def slow_order(
    network: NetworkOrder, changed: Sequence[bool], in_time: InTime
) -> list[int] | Failure:
    """As :meth:`NetworkOrder.find`; ``in_time`` tells whether an entry is below a set."""
    found = _placed(network, changed, in_time, eager=False)
    if isinstance(found, Failure) and found.full:
        again = _placed(network, changed, in_time, eager=True)
        return found if isinstance(again, Failure) else again
    return found


def _placed(
    network: NetworkOrder, changed: Sequence[bool], in_time: InTime, *, eager: bool
) -> list[int] | Failure:
    n = network.n
    left = set(range(n))
    kept = [i for i in range(n) if not changed[i]]
    free = sorted(
        (i for i in range(n) if changed[i]),
        key=lambda i: (bool(network.judged[i]), int(network.deadline[i]) - network.model.jitter[i]),
    )

    def fits(i: int) -> bool:
        return not network.judged[i] or in_time(i, frozenset(left - {i}))

    def room(end: int) -> list[int]:
        begin = network.ranks[kept[-1]] if kept else -1
        pairs = zip(network.numbers.up_to(begin), network.numbers.up_to(end - 1), strict=True)
        return [max(0, high - low) for low, high in pairs]

    placed: list[int] = []
    space = room(END)
    while left:
        bottom = kept[-1] if kept else -1
        stays = bottom >= 0 and fits(bottom)
        able = [] if stays and not eager else [i for i in reversed(free) if fits(i)]
        found = next((i for i in able if space[network.wide[i]] > 0), -1)
        if found >= 0:
            free.remove(found)
            space[network.wide[found]] -= 1
        elif stays:
            found = kept.pop()
            space = room(network.ranks[found])
        else:
            waiting = tuple(i for i in kept if i != bottom and fits(i))
            return Failure(tuple(sorted(left)), waiting, bottom, bool(able))
        placed.append(found)
        left.discard(found)
    return placed[::-1]
