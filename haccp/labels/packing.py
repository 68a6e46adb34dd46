"""Packing: which label was on the roll at start, roll change and end, and whether its labels are accounted for.

What was seen is always kept. A wrong or superseded label, or labels not accounted for, opens a deviation that holds
what was packed since the last good check.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any

from django.db.models import Q

from batches import lots as lot_deeds
from batches.locks import lock_material
from batches.models import Batch, Lot, Material
from config.api.refusals import Reason, RuleBroken, Unknown, Unusable
from haccp import deviations, holds
from haccp.holds import Touched
from haccp.labels.signals import packing_recorded
from haccp.models import Closing, Deviation, HoldSubject, LabelVersion, Moment, Packed, PackingCheck
from ledger.acts import Act
from ledger.deeds import deed

COUNTS = ("issued", "applied", "spoiled", "returned")
MOST_DIGITS = 9
LONGEST_SEEN = 300
WRONG_LABEL = frozenset({"unknown-label", "other-product", "not-approved-yet", "superseded", "not-in-use"})
"""Findings about the label itself; the others are about how many there were."""


@deed
def record(
    *,
    act: Act,
    batch: Batch,
    moment: str,
    label_version: LabelVersion | None = None,
    seen: str = "",
    counts: Mapping[str, str] | None = None,
    lot: Lot | None = None,
) -> PackingCheck:
    """Keep what was seen at packing. What is not in order opens one case that holds what was packed.

    ``seen``: what stood on a roll that bears none of our versions. ``counts``: whole labels as text; of the roll that
    came off at roll change and end, what was issued at the start. Raises Unusable, Unknown, RuleBroken.
    """
    lock_material(act.establishment)
    made = PackingCheck.new(
        act,
        batch=batch,
        lot=lot,
        moment=moment,
        label_version=label_version,
        seen=seen,
        counts=dict(counts or {}),
    )
    made.answer_if_repeated()
    _refuse_unusable(made)
    findings = [*_of_label(made), *_of_counts(made)]
    made.findings = [{"code": each.code, "detail": each.detail} for each in findings]
    made.result = Packed.BAD if findings else Packed.GOOD
    changes = _changes_what_was_used(made)
    made.insert()
    if changes:
        lot_deeds.reopen(act=act, lots=lots_of(made), because=made)
    if findings:
        _open(act, made)
    packing_recorded.send(sender=PackingCheck, check=made, act=act)
    return made


@deed
def withdraw(*, act: Act) -> PackingCheck:
    """Say that the check ``act.corrects`` never happened. Its case and what is held stay (D7).

    Released lots it spoke for await a decision again. Raises Unknown, RuleBroken.
    """
    lock_material(act.establishment)
    made = PackingCheck.withdrawal(replace(act, withdraws=True))
    made.answer_if_repeated()
    made.insert()
    lot_deeds.reopen(act=act, lots=lots_of(made), because=made)
    return made


# -- what cannot be kept ------------------------------------------------------------------------------


def _refuse_unusable(made: PackingCheck) -> None:
    _refuse_foreign(made)
    if made.moment not in Moment.values:
        raise Unusable(
            f"A moment is one of: {', '.join(Moment.values)}.", code="unknown-name", field="moment"
        )
    reasons = list(_wrong_counts(made.counts))
    if reasons:
        raise Unusable("The counts cannot be read. Nothing was written.", reasons=reasons)
    if made.label_version is None and not made.seen.strip():
        sentence = (
            "Name the label version on the roll; or say in seen what stands there, if it is none of ours."
        )
        raise Unusable(sentence, code="missing", field="label_version")


def _refuse_foreign(made: PackingCheck) -> None:
    named: tuple[tuple[str, Any], ...] = (
        ("batch", made.batch),
        ("lot", made.lot),
        ("label_version", made.label_version),
    )
    for name, row in named:
        if row is not None and row.establishment_id != made.establishment_id:
            raise Unknown(f"There is no such {name.replace('_', ' ')} here.", field=name)
    if made.lot is not None and made.lot.batch_id != made.batch_id:
        raise RuleBroken(
            f"Lot {made.lot.code} was not made by batch {made.batch.code}. Nothing was written.",
            code="lot-of-another-batch",
            field="lot",
        )
    corrected: Any = made.corrects
    if corrected is not None and corrected.batch_id != made.batch_id:
        raise RuleBroken(
            f"Record {corrected.pk} is about another batch; withdraw it and enter this one anew.",
            code="corrects-another",
            field="corrects",
        )


def _wrong_counts(counts: Mapping[str, Any]) -> Iterator[Reason]:
    for name in sorted(set(counts) - set(COUNTS), key=str):
        known = f"{str(name)[:40]!a} is not known here; known: {', '.join(COUNTS)}."
        yield Reason("unknown-name", known, f"counts.{name}"[:200])
    for name in COUNTS:
        text = counts.get(name, "0")
        whole = isinstance(text, str) and text.isascii() and text.isdigit() and len(text) <= MOST_DIGITS
        if not whole:
            sentence = f"Give whole labels as text, at most {MOST_DIGITS} digits."
            yield Reason("not-a-whole-number", sentence, f"counts.{name}")


# -- what is not in order -----------------------------------------------------------------------------


def product_of(made: PackingCheck) -> Material:
    """What was packed."""
    return made.batch.recipe_version.material if made.lot is None else made.lot.material


def _of_label(made: PackingCheck) -> Iterator[Reason]:
    version, product = made.label_version, product_of(made)
    if version is None:
        yield Reason("unknown-label", f"The label on the roll is none of ours: {made.seen}.")
        return
    told = f"Version {version.number} of label {version.label.code}"
    if version.material_id != product.pk:
        yield Reason("other-product", f"{told} is not of {product.name}.")
        return
    if version.performed_at > made.performed_at:
        yield Reason("not-approved-yet", f"{told} was not approved yet.")
    newer = LabelVersion.objects.standing().filter(
        label=version.label_id, number__gt=version.number, performed_at__lte=made.performed_at
    )
    if (latest := newer.order_by("-number").first()) is not None:
        yield Reason("superseded", f"{told} was superseded by version {latest.number}.")
    if not version.label.in_use:
        yield Reason("not-in-use", f"Label {version.label.code} is marked as no longer in use.")


def _of_counts(made: PackingCheck) -> Iterator[Reason]:
    """At roll change and end the labels of the roll that came off are accounted for."""
    missing = [name for name in COUNTS if name not in made.counts]
    if missing and made.moment != Moment.START:
        sentence = f"Not told: {', '.join(missing)}; so the labels cannot be accounted for."
        yield Reason("counts-missing", sentence)
    counts = {name: int(text) for name, text in made.counts.items()}
    if not missing:
        found = counts["applied"] + counts["spoiled"] + counts["returned"]
        if found != counts["issued"]:
            sentence = (
                f"{counts['issued']} labels were issued; applied, spoiled and returned come to {found}."
            )
            yield Reason("counts-differ", sentence)
    before = _issued_before(made)
    if before is not None and "issued" in counts and counts["issued"] != before:
        sentence = f"{before} labels were issued at the start; of {counts['issued']} is told now."
        yield Reason("issued-differs", sentence)


def _issued_before(made: PackingCheck) -> int | None:
    """How many labels the start said were issued, where this is the first count after it."""
    if made.moment == Moment.START:
        return None
    last = _earlier(made).order_by("-performed_at", "-id").first()
    if last is None or last.moment != Moment.START or "issued" not in last.counts:
        return None
    return int(last.counts["issued"])


def _earlier(made: PackingCheck) -> Any:
    """Standing checks of the same packing before this one; what it corrects does not count."""
    rows = PackingCheck.objects.standing().filter(
        batch=made.batch, lot=made.lot, performed_at__lt=made.performed_at
    )
    return rows.exclude(pk=made.corrects_id) if made.corrects_id else rows


def last_good(made: PackingCheck) -> datetime | None:
    """When the last standing check of the same packing was in order; None where there is none."""
    good = _earlier(made).filter(result=Packed.GOOD)
    return good.order_by("-performed_at").values_list("performed_at", flat=True).first()


def sentences(made: PackingCheck) -> list[str]:
    """What the person at the packing table is told."""
    if made.result == Packed.GOOD:
        return ["The label is the approved one, and the labels are accounted for."]
    told = [each["detail"] for each in made.findings]
    return [*told, "Stop packing. What was packed since the last good check is held."]


# -- what follows -------------------------------------------------------------------------------------


def _changes_what_was_used(made: PackingCheck) -> bool:
    """Whether released lots now bear another label than when they were released."""
    if made.corrects_id is not None:
        return True
    known = {each.label_version_id for lot in lots_of(made) for each in seen_on(lot)}
    return bool(known) and made.label_version_id not in known


def lots_of(made: PackingCheck) -> list[Lot]:
    """What a check speaks of, and what the one it corrects spoke of: named lots, else all of the batch."""
    corrected: Any = made.corrects
    named = [each.lot_id for each in (made, corrected) if each is not None]
    if None not in named:
        return list(Lot.objects.filter(pk__in=[key for key in named if key is not None]))
    return list(Lot.objects.filter(batch=made.batch))


def _open(act: Act, made: PackingCheck) -> None:
    """One case with hold. A bad check that corrects a bad one goes on under that one's case while it is open."""
    hold = Touched(HoldSubject.PACKING, made.pk, last_good(made))
    before: Any = made.corrects
    case = None
    if before is not None and before.result == Packed.BAD:
        case = deviations.case_of(before, Deviation.What.LABEL)
    if case is not None and not deviations.is_closed(case):
        holds.place(act=act.with_new_id(), deviation=case, touched=hold)
        return
    words = " ".join(each["detail"] for each in made.findings)
    deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.LABEL,
        subject=made.pk,
        slot=made.moment,
        title=f"Packing of {product_of(made).name}, batch {made.batch.code}: {words}",
        because=made,
        hold=hold,
    )


# -- what a reader asks -------------------------------------------------------------------------------


def used_on(lot: Lot) -> list[LabelVersion]:
    """The label versions that packs of the lot bear, by the standing checks; the first seen first."""
    found: dict[Any, LabelVersion] = {}
    for check in seen_on(lot):
        if check.label_version is not None:
            found.setdefault(check.label_version_id, check.label_version)
    return list(found.values())


def seen_on(lot: Lot) -> list[PackingCheck]:
    """The standing checks that say what label packs of the lot bear; see ``seen_on_many``."""
    return seen_on_many([lot])[lot.pk]


def seen_on_many(lots: Collection[Lot]) -> dict[int, list[PackingCheck]]:
    """By lot: the standing checks that name it, or name its batch and no lot. A flat number of statements.

    A wrong label counts until its case is closed and a later check that names the lot says what it bears now.
    """
    rows = (
        PackingCheck.objects.standing()
        .filter(Q(lot__in=lots) | Q(batch__in={lot.batch_id for lot in lots} - {None}, lot__isnull=True))
        .select_related("label_version__label")
        .order_by("performed_at", "id")
    )
    checks = _Checks(rows)
    closed = _closed_since([each for each in checks if _is_wrong(each)])
    return {
        lot.pk: [each for each in checks.about(lot) if not checks.replaced(lot, closed.get(each.pk))]
        for lot in lots
    }


def begun(lots: Collection[Lot]) -> set[int]:
    """The keys of those whose label at the start of packing was seen, whichever it was. One statement."""
    rows = PackingCheck.objects.standing().filter(
        Q(lot__in=lots) | Q(batch__in={lot.batch_id for lot in lots} - {None}, lot__isnull=True),
        moment=Moment.START,
    )
    starts = _Checks(rows)
    return {lot.pk for lot in lots if starts.about(lot)}


class _Checks(list[PackingCheck]):
    """Checks by what they are about, so that a thousand lots do not each look at the checks of all."""

    def __init__(self, rows: Iterable[PackingCheck]):
        super().__init__(rows)
        self.places: defaultdict[tuple[int | None, int | None], list[int]] = defaultdict(list)
        for place, each in enumerate(self):
            self.places[(None, each.batch_id) if each.lot_id is None else (each.lot_id, None)].append(place)

    def about(self, lot: Lot) -> list[PackingCheck]:
        """Those that name the lot, or its batch and no lot, in their order."""
        named, of_batch = self.places.get((lot.pk, None), []), self.places.get((None, lot.batch_id), [])
        return [self[place] for place in sorted([*named, *of_batch])]

    def replaced(self, lot: Lot, closed: datetime | None) -> bool:
        """Whether a check that names the lot was recorded after a case was closed."""
        named = self.places.get((lot.pk, None), ())
        return closed is not None and any(self[place].recorded_at > closed for place in named)


def _is_wrong(check: PackingCheck) -> bool:
    return any(each["code"] in WRONG_LABEL for each in check.findings)


def _closed_since(wrong: Collection[PackingCheck]) -> dict[Any, datetime]:
    """By check: when the case of its wrong label was closed, where it was. Two statements, more for what was corrected."""
    if not wrong:
        return {}
    rows = Deviation.objects.filter(what=Deviation.What.LABEL, subject__in=[each.pk for each in wrong])
    own = {case.subject: case for case in rows.order_by("recorded_at", "id")}
    cases = {each.pk: own.get(each.pk) or deviations.case_of(each, Deviation.What.LABEL) for each in wrong}
    keys = [case.pk for case in cases.values() if case is not None]
    ends = dict(Closing.objects.filter(deviation__in=keys).values_list("deviation", "recorded_at"))
    return {pk: ends[case.pk] for pk, case in cases.items() if case is not None and case.pk in ends}
