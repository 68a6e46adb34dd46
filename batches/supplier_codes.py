"""Suppliers' codes of lots as people write them: the same but for capitals, spaces and the marks - . / _. Pure, no Django."""

import re

MARKS = re.compile(r"[\s\-./_]+")


def folded(code: str) -> str:
    """What stays the same however it is written."""
    return MARKS.sub("", code).casefold()


def alike(one: str, other: str) -> bool:
    """The same but for capitals, spaces and marks."""
    return bool(one) and folded(one) == folded(other)
