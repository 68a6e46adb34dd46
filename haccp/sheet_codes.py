"""The code of a check sheet: six digits and two that check them, so that a slip in keying finds no other sheet. Pure.

The check digits are ISO/IEC 7064 MOD 97-10 (from memory): every single wrong digit and every two that changed places show.
Letters count as in IBAN, A as 10 to Z as 35.
"""

import re

from config.api.refusals import Unusable

DIGITS = 6
MOST = 10**DIGITS
_CODE = re.compile(r"S?([0-9]{6})([0-9]{2})")
_LEFT_OUT = re.compile(r"[\s\-–—.]+")
MOST_CHARACTERS = 40


class NotThisCode(Unusable):
    """The check digits do not fit. ``number``: what stood before them, if anything did."""

    code = "wrong-check-digits"


def shown(number: int) -> str:
    """``S-482177-05``: as it is printed, and as it is read."""
    digits = f"{number:0{DIGITS}d}"
    return f"S-{digits}-{check_digits('S' + digits)}"


def is_like_one(text: str) -> bool:
    """Whether a text has the form of such a code with its letter, whatever its check digits say."""
    tidy = _LEFT_OUT.sub("", text).upper() if len(text) <= MOST_CHARACTERS else ""
    return tidy.startswith("S") and _CODE.fullmatch(tidy) is not None


def read(text: str) -> int:
    """The number in a code as it was keyed or scanned: blanks, hyphens and capitals do not matter. Raises Unusable."""
    found = _CODE.fullmatch(_LEFT_OUT.sub("", text).upper()) if len(text) <= MOST_CHARACTERS else None
    if found is None:
        raise Unusable(
            f"A sheet's code is S, six digits and two check digits, such as {shown(482177)}.",
            code="not-a-sheet-code",
            field="sheet",
        )
    digits, check = found.groups()
    if check_digits("S" + digits) != check:
        raise NotThisCode(
            f"The check digits of S-{digits}-{check} do not fit: one was misread.", field="sheet"
        )
    return int(digits)


def check_digits(text: str) -> str:
    """Two digits with which ``text`` leaves 1 when it is divided by 97."""
    return f"{98 - remainder(text + '00'):02d}"


def remainder(text: str) -> int:
    return int("".join(str(int(each, 36)) for each in text)) % 97
