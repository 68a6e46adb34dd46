"""Lots held against the labels used on them: what release asks, and every late fact asks again.

Only once a product has an approved label is its lot held against one; before that, what would be asked is told. Then
a lot without a known label is refused, as is one whose packing was not seen at its start or not ended. What nobody
stated is refused unless it is declared or assessed; in a phased start it is told, since nobody has all statements on
the first day. What is contained or possible is refused then as well. What is only sold loose bears no label: its lots
are held against its sign.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from uuid import UUID

from batches.models import Lot, MaterialKind
from config.api.refusals import Reason
from haccp.allergens import content, lists
from haccp.allergens.vocabulary import Vocabulary
from haccp.labels import assessments, declaring, packing, versions
from haccp.labels.declaring import Declared
from haccp.models import ContactAssessment, LabelVersion, Moment, PackingCheck
from ledger.models import Establishment


@dataclass(frozen=True)
class OnLot:
    """``refused``: what stands against release; ``told``: what does not. ``rests_on``: the assessments it needs.
    ``unstated``: codes that nobody stated and that stand against release; ``undeclared``: codes of what is contained or
    possible and not declared.

    ``seen``: the packing checks that count; ``versions``: the labels on it, or of the sign it is sold under.
    """

    lot: Lot
    seen: Sequence[PackingCheck]
    versions: Sequence[LabelVersion] = ()
    refused: tuple[Reason, ...] = ()
    told: tuple[Reason, ...] = ()
    rests_on: tuple[ContactAssessment, ...] = ()
    unstated: frozenset[str] = frozenset()
    undeclared: frozenset[str] = frozenset()


def is_sold(lot: Lot) -> bool:
    """Whether it is a finished product of the house, which bears a label or stands under a sign."""
    return bool(lot.batch_id) and not lot.is_rework and lot.material.kind == MaterialKind.FINISHED


def compared(establishment: Establishment, lots: Collection[Lot], on: date) -> dict[int, OnLot]:
    """By key: each lot that is sold, against its labels, as of a local day. A flat number of statements.

    Give lots with their ``material``. One call looks at a thousand lots.
    """
    sold = [lot for lot in lots if is_sold(lot)]
    if not sold:
        return {}
    looking = _Looking.at(establishment, sold, on)
    return {lot.pk: looking.on(lot) for lot in sold}


@dataclass(frozen=True)
class _Looking:
    contents: Mapping[int, content.Content]
    seen: Mapping[int, list[PackingCheck]]
    begun: Collection[int]
    assessed: Mapping[int, list[ContactAssessment]]
    labelled: frozenset[UUID]
    loose: Mapping[UUID, list[LabelVersion]]
    vocabulary: Vocabulary
    phased: bool

    @classmethod
    def at(cls, establishment: Establishment, lots: Sequence[Lot], on: date) -> "_Looking":
        until = establishment.phased_start_until
        return cls(
            content.of_lots(establishment, lots),
            packing.seen_on_many(lots),
            packing.begun(lots),
            assessments.standing(lots, on),
            _labelled(lots),
            versions.sold_loose({lot.material_id for lot in lots}),
            lists.vocabulary(establishment),
            until is not None and on <= until,
        )

    def on(self, lot: Lot) -> OnLot:
        seen = self.seen[lot.pk]
        if seen:
            return self.held_against(lot, seen, list(_used(seen)))
        if lot.material_id in self.loose:
            return self.held_against(lot, seen, self.loose[lot.material_id])
        missing = self.no_label(lot)
        if lot.material_id in self.labelled:
            return OnLot(lot, seen, refused=(missing,))
        return OnLot(lot, seen, told=(missing,))

    def held_against(self, lot: Lot, seen: Sequence[PackingCheck], used: Sequence[LabelVersion]) -> OnLot:
        own = [_declared(each) for each in used if each.material_id == lot.material_id]
        assessed = self.assessed[lot.pk]
        codes = {code for each in assessed for code in each.allergens}
        found = declaring.compare(self.contents[lot.pk], own, codes, self.vocabulary)
        refused = (
            *_wrong_labels(lot, seen),
            *self.not_begun(lot, seen),
            *_not_counted(lot, seen),
            *found.refused,
        )
        told = found.told
        if self.phased:
            told += found.unknown
        else:
            refused += found.unknown
        rests_on = tuple(each for each in assessed if found.covered & set(each.allergens))
        unstated = frozenset() if self.phased else found.unstated
        return OnLot(lot, seen, used, refused, told, rests_on, unstated, found.undeclared)

    def not_begun(self, lot: Lot, seen: Sequence[PackingCheck]) -> Iterator[Reason]:
        """Packs of which nobody saw the label when they began may bear any."""
        if seen and lot.pk not in self.begun:
            sentence = f"Nobody said which label was on the roll when packing of lot {lot.code} began: record what was seen then."
            yield Reason("packing-start-not-seen", sentence, "lot", [str(seen[0].pk)])

    def no_label(self, lot: Lot) -> Reason:
        if lot.material_id in self.labelled:
            sentence = f"No packing check says which label is on lot {lot.code}: record what it bears."
            return Reason("label-not-known", sentence, "lot", [str(lot.uid)])
        here = self.contents[lot.pk]
        words = sorted(self.vocabulary.name(code) for code in {*here.contains, *here.by_line})
        told = f" By the records it contains: {', '.join(words)}." if words else ""
        sentence = f"No label of {lot.material.name} is approved yet, so none was compared.{told}"
        return Reason("no-label-approved", sentence, "lot", [str(lot.material_id)])


def _labelled(lots: Sequence[Lot]) -> frozenset[UUID]:
    """The products that have an approved label, also where it was put away since."""
    rows = LabelVersion.objects.standing().filter(material__in={lot.material_id for lot in lots})
    return frozenset(rows.order_by().values_list("material", flat=True).distinct())


def _wrong_labels(lot: Lot, seen: Sequence[PackingCheck]) -> Iterator[Reason]:
    for each in seen:
        version = each.label_version
        if version is None or version.material_id != lot.material_id:
            told = each.seen if version is None else f"label {version.label.code} of another product"
            sentence = f"What was seen on it is not its label: {told}. Close that case, and record what lot {lot.code} bears now."
            yield Reason("label-of-another", sentence, "lot", [str(each.pk)])


def _not_counted(lot: Lot, seen: Sequence[PackingCheck]) -> Iterator[Reason]:
    """Packing that began and was not ended has labels that nobody counted."""
    if seen and seen[-1].moment != Moment.END:
        sentence = f"Packing of lot {lot.code} was not ended: count its labels and record the end."
        yield Reason("labels-not-counted", sentence, "lot", [str(seen[-1].pk)])


def _used(seen: Sequence[PackingCheck]) -> Iterator[LabelVersion]:
    found = {each.label_version_id: each.label_version for each in seen}
    yield from (each for each in found.values() if each is not None)


def _declared(version: LabelVersion) -> Declared:
    name = f"version {version.number} of label {version.label.code}"
    return Declared(name, version.declared, version.precautionary)
