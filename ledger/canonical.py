"""One byte form for one value: canonical JSON (RFC 8785), and the digests taken over it.

Numbers enter as text (decision D3), so the hardest part of RFC 8785, how a float is written, never arises: a
float is refused. Whole numbers are let through because the published test vectors hold some.
"""

import hashlib
from json import JSONEncoder
from typing import Any

LARGEST_INTEGER = 2**53 - 1
"""Beyond this an IEEE 754 double loses units: RFC 7493 (I-JSON) section 2.2, which RFC 8785 builds on."""

DEEPEST = 64
"""Levels of lists and objects; our own bound, so that a value within itself ends in a clear error."""

SALT_BYTES = 16
"""Fixed, so that one hidden digest cannot be opened twice by moving bytes between salt and value."""

_sorting = JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, check_circular=False)
_as_given = JSONEncoder(separators=(",", ":"), ensure_ascii=False, check_circular=False)


class NotCanonical(ValueError):
    """The value has no canonical form; the message names the place, like /readings/3."""


def canonical(value: Any) -> bytes:
    """UTF-8 bytes of ``value`` as in RFC 8785.

    Takes dict (text keys), list, str, bool, None and int within +-(2**53 - 1). Raises NotCanonical for
    anything else (float, Decimal, bytes, tuple, ...), for lone surrogates and for more than 64 levels.
    """
    if _inspect(value, "", 0):
        return _sorting.encode(value).encode()
    return _as_given.encode(_ordered(value)).encode()


def digest(value: Any) -> str:
    """SHA-256 of the canonical form, in lower-case hex. Raises NotCanonical."""
    return hashlib.sha256(canonical(value)).hexdigest()


def hidden(salt: bytes, value: Any) -> str:
    """What stands for a confidential value: SHA-256 of 16 bytes of salt and the canonical form, in hex (D4).

    Raises ValueError for a salt of another length, NotCanonical for the value.
    """
    if len(salt) != SALT_BYTES:
        raise ValueError(f"A salt has {SALT_BYTES} bytes, this one {len(salt)}.")
    return hashlib.sha256(salt + canonical(value)).hexdigest()


def _inspect(value: Any, path: str, depth: int) -> bool:
    """Refuse what has no canonical form; say whether all keys are ASCII, so that any sorting will do."""
    if isinstance(value, dict):
        _refuse_depth(path, depth)
        return _inspect_members(value, path, depth)
    if isinstance(value, list):
        _refuse_depth(path, depth)
        # all() would stop at the first False and leave the rest unlooked at
        return False not in [_inspect(part, f"{path}/{at}", depth + 1) for at, part in enumerate(value)]
    _refuse_odd(value, path)
    return True


def _inspect_members(members: dict[Any, Any], path: str, depth: int) -> bool:
    ascii_keys = True
    for name, part in members.items():
        if not isinstance(name, str):
            raise NotCanonical(f"A key in {path or 'the value'} is {type(name).__name__}, not text: {name!r}")
        if not name.isascii():
            _refuse_odd(name, f"{path}/{name}")
            ascii_keys = False
        # text is what records mostly hold: pass it without a call
        if type(part) is str and part.isascii():
            continue
        ascii_keys &= _inspect(part, f"{path}/{name}", depth + 1)
    return ascii_keys


def _refuse_odd(value: Any, path: str) -> None:
    where = ascii(path or "the value")
    if isinstance(value, str):
        if not value.isascii() and _has_lone_surrogate(value):
            raise NotCanonical(f"{where} holds half of a surrogate pair, which is not a character.")
    elif type(value) is int:
        if abs(value) > LARGEST_INTEGER:
            raise NotCanonical(f"{where} is a whole number beyond 2**53 - 1; write it as text.")
    elif value is not None and value is not True and value is not False:
        raise NotCanonical(f"{where} is {type(value).__name__}; numbers and times are digested as text.")


def _refuse_depth(path: str, depth: int) -> None:
    if depth >= DEEPEST:
        raise NotCanonical(f"{ascii(path)[:80]} lies deeper than {DEEPEST} levels.")


def _has_lone_surrogate(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return True
    return False


def _ordered(value: Any) -> Any:
    """The same value with keys in the order of their UTF-16 code units (RFC 8785 section 3.2.3)."""
    if isinstance(value, dict):
        return {name: _ordered(value[name]) for name in sorted(value, key=_utf_16)}
    if isinstance(value, list):
        return [_ordered(part) for part in value]
    return value


def _utf_16(name: str) -> bytes:
    return name.encode("utf-16-be")
