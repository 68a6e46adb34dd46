"""An order in which what may leave may be taken away in parts: what follows from each other together, each part before all
that follows from it, so that the first may always go.

Tarjan's strongly connected components, which come out last first, written without recursion. Nodes are numbers here and
what is known of them stands in arrays, so that a record more is some bytes more.
"""

from array import array
from collections.abc import Callable, Iterable, Iterator
from sqlite3 import Connection

UNSEEN = -1


def order(scratch: Connection) -> None:
    """Write ``turn``: the last part first. What lies between records (lots, batches, stretches of refilled places) has a turn
    as well."""
    scratch.execute("DELETE FROM turn")
    scratch.execute("DELETE FROM leaver")
    scratch.execute(
        "INSERT INTO leaver SELECT row_number() OVER () - 1, node FROM (SELECT id AS node FROM leaving UNION ALL "
        "SELECT DISTINCT one FROM keeps WHERE typeof(one) = 'text')"
    )
    count = scratch.execute("SELECT count(*) FROM leaver").fetchone()[0]

    def onward(number: int) -> Iterable[int]:
        rows = scratch.execute(
            "SELECT there.number FROM leaver JOIN keeps ON one = leaver.node JOIN leaver there ON there.node = other "
            "WHERE leaver.number = ?",
            [number],
        )
        return [each for (each,) in rows]

    parts = enumerate(components(count, onward))
    scratch.executemany(
        "INSERT INTO turn (part, leaver) VALUES (?, ?)", ((at, each) for at, part in parts for each in part)
    )


def components(count: int, onward: Callable[[int], Iterable[int]]) -> Iterator[list[int]]:
    """Of the numbers below ``count``."""
    walk = _Walk(count, onward)
    for start in range(count):
        if walk.number[start] == UNSEEN:
            yield from walk.from_(start)


class _Walk:
    """``number``: when each was first seen; ``lowest``: the first that it leads back to; ``waits``: of no component yet."""

    def __init__(self, count: int, onward: Callable[[int], Iterable[int]]) -> None:
        self.onward, self.seen = onward, 0
        self.number, self.lowest = array("q", [UNSEEN]) * count, array("q", [UNSEEN]) * count
        self.waits, self.waiting = bytearray(count), array("q")

    def from_(self, start: int) -> Iterator[list[int]]:
        path = [self._enter(start)]
        while path:
            node, onward = path[-1]
            new = next((each for each in onward if self._is_new(each, node)), None)
            if new is not None:
                path.append(self._enter(new))
                continue
            path.pop()
            if path:
                before = path[-1][0]
                self.lowest[before] = min(self.lowest[before], self.lowest[node])
            if self.lowest[node] == self.number[node]:
                yield self._closed(node)

    def _enter(self, node: int) -> tuple[int, Iterator[int]]:
        self.number[node] = self.lowest[node] = self.seen
        self.seen += 1
        self.waiting.append(node)
        self.waits[node] = True
        return node, iter(self.onward(node))

    def _is_new(self, each: int, node: int) -> bool:
        """One that is known only tells how far back ``node`` leads."""
        if self.number[each] == UNSEEN:
            return True
        if self.waits[each]:
            self.lowest[node] = min(self.lowest[node], self.number[each])
        return False

    def _closed(self, node: int) -> list[int]:
        found = []
        while True:
            last = self.waiting.pop()
            self.waits[last] = False
            found.append(last)
            if last == node:
                return found
