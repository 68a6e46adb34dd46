"""Labels of lots that a scanner reads: a plain QR code for every house, GS1 barcodes where the house has the numbers."""

from django.utils.translation import gettext as _

from batches import marking
from batches.models import Lot
from batches.scanning import elements
from reports import label_drawing, tag_drawing
from reports.code_drawing import Carrier, Code
from reports.label_drawing import BarLabel
from reports.tag_drawing import Tag

Drawn = Tag | BarLabel


def svg(drawn: Drawn) -> str:
    return label_drawing.svg(drawn) if isinstance(drawn, BarLabel) else tag_drawing.svg(drawn)


def label(lot: Lot, carrier: str, *, made_on: bool = False) -> Drawn:
    """The label of a lot with its code in one of the forms. Raises RuleBroken where it may not bear that form.

    ``made_on``: with the day it was made in the barcode, where that is GS1.
    """
    kind = Carrier(carrier)
    if kind == Carrier.QR:
        return _tag(lot, Code(kind, marking.own(lot)), "")
    found = marking.fields(lot, made_on=made_on)
    line = elements.bracketed(found)
    if kind == Carrier.GS1_128:
        return _bars(lot, Code(kind, marking.for_gs1_128(found)), line)
    if kind == Carrier.DATA_MATRIX:
        return _tag(lot, Code(kind, elements.plain(found)), line)
    return _tag(lot, Code(kind, marking.link(lot, made_on=made_on)), line)


def _tag(lot: Lot, code: Code, line: str) -> Tag:
    return Tag(
        head=_("Lot"),
        state="",
        name=lot.material.name,
        lot=_("Lot %s") % lot.code,
        bodies=(line,),
        facts=_days(lot),
        house=lot.establishment.name,
        code=code,
    )


def _bars(lot: Lot, code: Code, line: str) -> BarLabel:
    return BarLabel(
        name=lot.material.name,
        lot=_("Lot %s") % lot.code,
        line=line,
        facts=" · ".join(_days(lot)),
        house=lot.establishment.name,
        code=code,
    )


def _days(lot: Lot) -> tuple[str, str]:
    best_before = lot.state.best_before
    return (
        (_("Made %s") if lot.batch_id else _("Received %s")) % lot.day.isoformat(),
        _("Best before %s") % (best_before.isoformat() if best_before else _("not stated")),
    )
