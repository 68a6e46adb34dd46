"""Tags to stick on: of a tub, of what is held, of a sample.

A tag tells what stood when it was printed; what is not known is printed as not known.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.utils import timezone
from django.utils.translation import gettext as _

from batches import marking, rework
from batches.models import Lot, LotStatus, Movement, MovementKind
from config.api.refusals import RuleBroken, Unusable
from haccp import deviations
from haccp.allergens import content, lists
from haccp.allergens.content import Content
from haccp.allergens.vocabulary import Vocabulary
from ledger.acts import Moment
from reports import cases, lot_labels
from reports.code_drawing import Carrier, Code
from reports.listing import spoken
from reports.lot_labels import Drawn
from reports.tag_drawing import Tag

# -- what stands on them -------------------------------------------------------------------------------


def tub(lots: Iterable[Lot]) -> list[Tag]:
    """For tubs of lots: name, lot, allergens, made, use by. In a flat number of statements for one house's lots."""
    known = list(lots)
    if not known:
        return []
    here = known[0].establishment
    found, words = content.of_lots(here, known), lists.vocabulary(here)
    odd = rework.of_unknown_origin(known)
    return [
        _of_lot(lot, _("Lot"), _allergens(found[lot.pk], words, origin_known=lot.pk not in odd))
        for lot in known
    ]


def hold(lot: Lot) -> Tag:
    """For what is held or rejected: why. Raises RuleBroken where it is neither."""
    words = {
        LotStatus.HELD: _("HELD: do not use, do not ship"),
        LotStatus.REJECTED: _("REJECTED: do not use, do not ship"),
    }
    head = words.get(LotStatus(lot.state.status))
    if head is None:
        raise RuleBroken(
            f"Lot {lot.code} is {lot.state.get_status_display()}; a hold tag is for what is held or rejected.",
            code="not-held",
            field="lot",
        )
    why = [cases.title(case) for case in deviations.open_cases_of([lot])] or deviations.why_kept_away(lot)
    told = "; ".join(each.rstrip(".") for each in why)
    because = _("Because: ") + (told or _("no open case says why. Ask the food-safety lead."))
    return _of_lot(
        lot, head, (because, _("Because: several cases; read them in the lot's records.")), warns=True
    )


def sample(movement: Movement) -> Tag:
    """For what was taken of a lot. Raises Unusable where the movement took no sample."""
    if movement.what != MovementKind.SAMPLED or movement.withdrawn:
        raise Unusable("This movement took no sample.", code="no-sample", field="movement")
    taken = Moment(movement.performed_at, movement.performed_offset).local
    body = _("Taken %(amount)s on %(at)s by %(name)s.") % {
        "amount": f"{movement.entered} {movement.unit}",
        "at": taken.isoformat(" ", "minutes"),
        "name": movement.performed_by.name,
    }
    note = f" {movement.note}" if movement.note else ""
    return _of_lot(movement.lot, _("Sample"), (body + note, body))


def _of_lot(lot: Lot, head: str, bodies: tuple[str, ...], *, warns: bool = False) -> Tag:
    use_by = lot.state.best_before
    printed = timezone.now().astimezone(lot.establishment.zone)
    state = _("%(state)s on %(day)s") % {"state": _state(lot), "day": printed.date().isoformat()}
    return Tag(
        head=head,
        state=state,
        name=lot.material.name + (f" ({_('rework')})" if lot.is_rework else ""),
        lot=_("Lot %s") % lot.code,
        bodies=bodies,
        facts=(
            (_("Made %s") if lot.batch_id else _("Received %s")) % lot.day.isoformat(),
            _("Use by %s") % (use_by.isoformat() if use_by else _("not stated")),
        ),
        house=lot.establishment.name,
        code=Code(Carrier.QR, marking.best(lot)),
        warns=warns,
    )


def _state(lot: Lot) -> str:
    return _("withdrawn") if lot.state.withdrawn else spoken(LotStatus(lot.state.status).label)


def _allergens(found: Content, words: Vocabulary, *, origin_known: bool) -> tuple[str, ...]:
    """What is in it, what may be, and what nobody stated; never an empty line, never part of a list."""
    unknown = found.unknown | set(found.unknown_by_contact)
    head = "" if origin_known else _("Of unknown origin: count on all that its equipment could have left.")
    there = _said(_("Contains: %s."), found.contains, words)
    may = _said(_("May contain: %s."), found.may, words)
    named = _said(_("Not known whether: %s."), unknown, words)
    counted = _("Not known of %d allergens: read the lot's list.") % len(unknown) if unknown else ""
    nothing = "" if there or may or unknown else _("No allergen is known of by its documents.")
    return (
        " ".join(filter(None, (head, there, may, named, nothing))),
        " ".join(filter(None, (head, there, may, counted, nothing))),
        _("Allergens: more than fit here. Read the lot's list before use."),
    )


def _said(sentence: str, codes: Iterable[str], words: Vocabulary) -> str:
    names = sorted(lists.spoken(words, code) for code in codes)
    return sentence % ", ".join(names) if names else ""


# -- a sheet of them -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Asked:
    """One tag and how many of it; ``kind``: tub, hold, sample or label; ``carrier`` and ``made_on``: of a label."""

    kind: str
    about: Lot | Movement
    copies: int
    carrier: str = ""
    made_on: bool = False


def made(asked: Iterable[Asked]) -> list[Drawn]:
    """The tags in the order they were asked for. Raises RuleBroken, Unusable."""
    wanted = list(asked)
    tubs = {
        each.about.pk: each.about for each in wanted if each.kind == "tub" and isinstance(each.about, Lot)
    }
    of_tubs: Mapping[Any, Tag] = dict(zip(tubs, tub(tubs.values()), strict=True))
    found: list[Drawn] = []
    for each in wanted:
        found += [of_tubs[each.about.pk] if each.kind == "tub" else _one(each)] * each.copies
    return found


def _one(each: Asked) -> Drawn:
    if isinstance(each.about, Movement):
        return sample(each.about)
    if each.kind == "label":
        return lot_labels.label(each.about, each.carrier, made_on=each.made_on)
    return hold(each.about)
