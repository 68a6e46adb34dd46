"""When a check falls due, in words. Its name in the records stays English, since it names it for good."""

import re

from django.utils.translation import gettext as _

from haccp.dues import Due

SHAPE = (
    r"(?:(?:day|shift) [^,]+, )?(?:every \S+ min, \d+|after the break of .+?|changeover of [-\d]+ [\d:]+|"
    r"start|end|change|break|once|batch|part|receipt|changeover|shift|day)"
)
"""How the name of an occasion looks, inside of a longer text."""


def words(due: Due) -> str:
    """Point, what of, and the occasion: ``CP-AW-1 batch every 30 min, 2``."""
    on = _("lot") if due.lot else _("part %d") % due.part.number if due.part else _("batch")
    return f"{due.spec.code} {on} {occasion(due.occasion)}"


def occasion(said: str) -> str:
    """The texts that ``haccp.dues`` puts together are taken apart by their shape; the others are single words."""
    shapes = (
        (r"every (\S+) min, (\d+)", _("every %s min, %s")),
        (r"after the break of (.+)", _("after the break of %s")),
        (r"changeover of (.+)", _("changeover of %s")),
        (r"day (\S+), (.+)", _("day %s, %s")),
        (r"shift (\S+), (.+)", _("shift %s, %s")),
    )
    for shape, words in shapes:
        if found := re.fullmatch(shape, said):
            *first, last = found.groups()
            return words % (*first, occasion(last))
    return _(said) if said else ""
