"""What must be so before records are kept: asked when the service starts, and for every health answer."""

from collections.abc import Callable, Iterator

_asked: list[Callable[[], Iterator[str]]] = []


def must_hold(faults: Callable[[], Iterator[str]]) -> None:
    """Register a condition: ``faults()`` yields a sentence for each thing that is not as it must be.

    Called once, in an app's ``ready()``.
    """
    _asked.append(faults)


def faults() -> list[str]:
    """Why records must not be kept now; empty when they may."""
    return [sentence for ask in _asked for sentence in ask()]
