"""Words that stand on labels and in lists: one line, nothing invisible in it."""

import re

from config.api.refusals import Unusable

CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
"""Control characters, and halves of characters: no text that anybody typed, and not every database keeps them."""


def one_line(text: str, *, field: str, longest: int) -> str:
    """The text, if it is one printable line of at most ``longest`` characters and not empty. Raises Unusable."""
    if not is_one_line(text, longest):
        raise Unusable(
            f"Give one line of 1 to {longest} characters, without control characters.",
            code="not-one-line",
            field=field,
        )
    return text


def is_one_line(text: object, longest: int) -> bool:
    return isinstance(text, str) and bool(text.strip()) and len(text) <= longest and text.isprintable()
