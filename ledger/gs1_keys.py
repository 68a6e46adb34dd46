"""GS1 keys: check digits, company prefixes, numbers that name nothing outside one firm. Pure, no Django.

The check digit rule is that of the GS1 General Specifications (read on GS1 member pages): from the right,
without the check digit, weights 3, 1, 3, 1, ...; the check digit brings the sum to a multiple of ten.
"""

import re
from collections.abc import Iterable

from config.api.refusals import Unusable

GTIN_LENGTHS = (8, 12, 13, 14)
GLN_LENGTH = 13
SSCC_LENGTH = 18
PREFIX_LENGTHS = range(4, 13)
"""Digits of a GS1 company prefix, from memory; one of 12 is that of a single licensed GTIN."""
RESTRICTED = re.compile(r"02|04|2")
"""How numbers begin that only mean something within one firm or country (read, prefix table of the parser library)."""

_DIGITS = re.compile(r"[0-9]+")


class WrongCheckDigit(Unusable):
    """A digit was mistyped or two were swapped."""

    code = "wrong-check-digit"


def check_digit(body: str) -> int:
    """The GS1 check digit for ``body``, the digits of a key without its last one."""
    weighted = (int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(body)))
    return -sum(weighted) % 10


def check_gtin(text: str, *, field: str = "gtin") -> str:
    """A GTIN-8, -12, -13 or -14 in its 14-digit form, zeros filled in on the left. Raises Unusable."""
    return _checked(text, GTIN_LENGTHS, "GTIN", field).zfill(14)


def check_gln(text: str, *, field: str = "gln") -> str:
    """A GLN (location number, 13 digits). Raises Unusable."""
    return _checked(text, (GLN_LENGTH,), "GLN", field)


def check_sscc(text: str, *, field: str = "sscc") -> str:
    """An SSCC (number of a logistic unit, 18 digits). Raises Unusable."""
    return _checked(text, (SSCC_LENGTH,), "SSCC", field)


def _checked(text: str, lengths: tuple[int, ...], name: str, field: str) -> str:
    allowed = " or ".join(str(length) for length in lengths)
    if not _DIGITS.fullmatch(text) or len(text) not in lengths:
        raise Unusable(f"A {name} is {allowed} digits and nothing else.", code="not-a-key", field=field)
    expected = check_digit(text[:-1])
    if int(text[-1]) != expected:
        raise WrongCheckDigit(
            f"The last digit of this {name} is {text[-1]}, but the others ask for {expected}: compare it "
            "with the label, digit by digit.",
            field=field,
        )
    return text


def is_restricted(gtin: str) -> bool:
    """Whether a GTIN in its 14-digit form is of a range that nobody is alone in using (GTIN-8 apart)."""
    return not gtin.startswith("000000") and RESTRICTED.match(gtin[1:]) is not None


def refuse_restricted(gtin: str, *, field: str = "gtin") -> str:
    """Raises Unusable for a GTIN that only means something within one firm or country."""
    if is_restricted(gtin):
        raise Unusable(
            "Numbers that begin with 02, 04 or 20 to 29 mean something within one shop or country only, and name "
            "no product to anybody else. Leave it out.",
            code="restricted-number",
            field=field,
        )
    return gtin


def check_prefix(text: str, *, field: str = "gs1_prefixes") -> str:
    """A GS1 company prefix as it was licensed to the firm. Raises Unusable."""
    if not _DIGITS.fullmatch(text) or len(text) not in PREFIX_LENGTHS:
        raise Unusable(
            f"A GS1 company prefix is {PREFIX_LENGTHS[0]} to {PREFIX_LENGTHS[-1]} digits, as your GS1 organisation "
            "gave it to you. Leave it out if you have none.",
            code="not-a-prefix",
            field=field,
        )
    if RESTRICTED.match(text):
        raise Unusable(
            "No firm is given numbers that begin with 02, 04 or 20 to 29: they mean something within one shop or "
            "country only.",
            code="restricted-number",
            field=field,
        )
    return text


def is_under(gtin: str, prefixes: Iterable[str]) -> bool:
    """Whether a GTIN in its 14-digit form begins with one of the prefixes; the first digit tells the packing only."""
    return any(gtin[1:].startswith(prefix) for prefix in prefixes)
