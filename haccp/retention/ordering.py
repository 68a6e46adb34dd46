"""What follows from what in a web of things: all that is reached, and an order in which parts may be taken away. Pure."""

from collections.abc import Collection, Hashable, Iterable, Iterator, Mapping
from typing import TypeVar

N = TypeVar("N", bound=Hashable)
Web = Mapping[N, Collection[N]]


def reached(starts: Iterable[N], web: Web[N]) -> set[N]:
    """The starts and everything that follows from them."""
    found = set(starts)
    waiting = list(found)
    while waiting:
        fresh = set(web.get(waiting.pop(), ())) - found
        found |= fresh
        waiting.extend(fresh)
    return found


def together(nodes: Iterable[N], web: Web[N]) -> Iterator[list[N]]:
    """Groups that follow from each other, each before all that follows from it, so that the first may always go.

    Tarjan's strongly connected components, which come out last first, written without recursion.
    """
    return reversed(list(_components(list(nodes), web)))


def _components(nodes: list[N], web: Web[N]) -> Iterator[list[N]]:
    asked, number, lowest, open_ones = set(nodes), dict[N, int](), dict[N, int](), list[N]()
    in_open = set[N]()
    for start in nodes:
        if start in number:
            continue
        path = [(start, iter(web.get(start, ())))]
        number[start] = lowest[start] = len(number)
        open_ones.append(start)
        in_open.add(start)
        while path:
            node, onward = path[-1]
            new = next(
                (each for each in onward if each in asked and _seen(each, node, number, lowest, in_open)),
                None,
            )
            if new is not None:
                number[new] = lowest[new] = len(number)
                open_ones.append(new)
                in_open.add(new)
                path.append((new, iter(web.get(new, ()))))
                continue
            path.pop()
            if path:
                before = path[-1][0]
                lowest[before] = min(lowest[before], lowest[node])
            if lowest[node] == number[node]:
                yield _closed(node, open_ones, in_open)


def _seen(each: N, node: N, number: dict[N, int], lowest: dict[N, int], in_open: set[N]) -> bool:
    """Whether it is new; one that is known only tells how far back ``node`` leads."""
    if each not in number:
        return True
    if each in in_open:
        lowest[node] = min(lowest[node], number[each])
    return False


def _closed(node: N, open_ones: list[N], in_open: set[N]) -> list[N]:
    found = []
    while True:
        last = open_ones.pop()
        in_open.discard(last)
        found.append(last)
        if last == node:
            return found
