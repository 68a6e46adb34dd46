"""The deeds: a file's lines become proposed receipts, all or none; a person confirms each with what really came, or declines.

Nothing is in stock before somebody confirmed it. The same despatch again, in the same file or another, proposes nothing twice.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID, uuid5

from django.db.models import OuterRef, Q, QuerySet, Subquery

from batches import receiving
from batches.despatches.lines import Despatch, Line
from batches.locks import lock_material
from batches.models import (
    Material,
    ProposalAnswer,
    ProposalOutcome,
    ProposedReceipt,
    StoragePlace,
    TradingPartner,
)
from config.api.refusals import OtherContent, Reason, RuleBroken, Unknown, Unusable
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Establishment

AWAITING = "awaiting"


@dataclass(frozen=True)
class File:
    """``sha256``: of its bytes."""

    name: str
    sha256: str


@dataclass(frozen=True)
class Proposed:
    """``known``: lines that were proposed before, as they are stored."""

    new: Sequence[ProposedReceipt]
    known: Sequence[ProposedReceipt]
    passed_over: Sequence[Reason]


@deed
def propose(*, act: Act, supplier: TradingPartner, file: File, despatch: Despatch) -> Proposed:
    """Keep the lines of a despatch that are not here yet. Raises Unknown, RuleBroken for a line that says something else now."""
    _refuse_foreign(act.establishment, supplier)
    lock_material(act.establishment)
    ids = {_id(act.establishment, supplier, line): line for line in despatch.lines}
    known: dict[UUID, ProposedReceipt] = ProposedReceipt.objects.in_bulk(list(ids))
    _refuse_changed([(line, known[pk]) for pk, line in ids.items() if pk in known])
    new = [
        ProposedReceipt.new(
            act.with_new_id(id=pk, note=act.note),
            supplier=supplier,
            line_key=line.key,
            file=file.name,
            file_sha256=file.sha256,
            spot=line.spot,
            said=line.said,
        )
        for pk, line in ids.items()
        if pk not in known
    ]
    for answer in ProposedReceipt.insert_many(new):
        if isinstance(answer, Exception):
            raise answer
    return Proposed(new, [known[pk] for pk in ids if pk in known], despatch.passed_over)


def _id(here: Establishment, supplier: TradingPartner, line: Line) -> UUID:
    """The same for the same line of the same supplier in the same house, and for nothing else (RFC 9562 section 5.5)."""
    return uuid5(here.pk, json.dumps(["despatch", str(supplier.pk), line.key]))


def _refuse_changed(pairs: Sequence[tuple[Line, ProposedReceipt]]) -> None:
    wrong = [
        Reason(
            "line-changed",
            f"{line.spot}: proposed before from {before.file}, {before.spot}, where it said something else.",
            line.spot,
            [str(before.pk)],
        )
        for line, before in pairs
        if line.said["read"] != before.said["read"]
    ]
    if wrong:
        raise RuleBroken(
            "Lines say something else than when they were proposed. Nothing was kept. Answer those that stand here with what "
            "really came, or leave these lines out.",
            code="line-changed",
            reasons=wrong,
        )


# -- answering ----------------------------------------------------------------------------------------


@deed
def confirm(
    *,
    act: Act,
    proposal: ProposedReceipt,
    material: Material | None = None,
    quantity: str = "",
    unit: str = "",
    supplier_code: str | None = None,
    best_before: date | None = None,
    document: str | None = None,
    code: str = "",
    to_place: StoragePlace | None = None,
    carrier: TradingPartner | None = None,
) -> ProposalAnswer:
    """The goods came: a receipt is recorded with what the person says, and with what was proposed where they say nothing.

    ``act.id`` is that of the receipt, and so of the lot. Raises RuleBroken, Unusable, Unknown.
    """
    _refuse_foreign(act.establishment, proposal)
    lock_material(act.establishment)
    said = proposal.said["read"]
    if bool(quantity) != bool(unit):
        missing = "unit" if quantity else "quantity"
        raise Unusable("An amount is said with its unit.", code="missing", field=missing)
    movement = receiving.receive(
        act=act,
        material=material or _material(proposal),
        supplier=proposal.supplier,
        quantity=quantity or said["quantity"],
        unit=unit or said["unit"],
        supplier_code=said.get("lot", "") if supplier_code is None else supplier_code,
        best_before=best_before
        or (date.fromisoformat(said["best_before"]) if "best_before" in said else None),
        code=code,
        to_place=to_place,
        carrier=carrier,
        document=said.get("document", "") if document is None else document,
    )
    if movement.repeated and (before := ProposalAnswer.objects.filter(receipt=movement).first()):
        if before.proposal_id != proposal.pk:
            raise OtherContent(
                f"Receipt {movement.pk} answers another proposal. Nothing was changed.", field="id"
            )
        before.repeated = True
        return before
    return _answer(act.with_new_id(note=act.note), proposal, ProposalOutcome.CONFIRMED, receipt=movement)


@deed
def decline(*, act: Act, proposal: ProposedReceipt, because: str) -> ProposalAnswer:
    """The goods did not come, or were not taken in, and why. Raises RuleBroken."""
    _refuse_foreign(act.establishment, proposal)
    lock_material(act.establishment)
    if not because.strip():
        raise Unusable("Say why.", code="missing", field="because")
    return _answer(act, proposal, ProposalOutcome.DECLINED, because=because)


def _answer(act: Act, proposal: ProposedReceipt, outcome: ProposalOutcome, **how: Any) -> ProposalAnswer:
    answer = ProposalAnswer.new(act, proposal=proposal, outcome=outcome, **how)
    answer.answer_if_repeated()
    last = states([proposal])[proposal.pk]
    if last.state == ProposalOutcome.CONFIRMED or last.state == outcome:
        raise RuleBroken(
            f"This was {last.state} before. Correct or withdraw the receipt itself if it was wrong."
            if last.state == ProposalOutcome.CONFIRMED
            else "This was declined before.",
            code="answered-before",
            field="proposal",
        )
    answer.number = last.answers + 1
    return answer.insert()


def _material(proposal: ProposedReceipt) -> Material:
    found = suggested([proposal]).get(proposal.pk)
    if found is None:
        raise Unusable(
            "No material here has that GTIN or code, or several have. Say which material came.",
            code="which-material",
            field="material",
        )
    return found


def _refuse_foreign(here: Establishment, row: TradingPartner | ProposedReceipt) -> None:
    if row.establishment_id != here.pk:
        raise Unknown(f"There is no {row._meta.verbose_name} {row.pk} here.", field=str(row._meta.model_name))


# -- what stands --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class State:
    """``state``: awaiting, confirmed or declined. ``receipt``: the movement that brought the lot, where confirmed."""

    state: str = AWAITING
    answers: int = 0
    receipt: UUID | None = None
    because: str = ""


def states(proposals: Sequence[ProposedReceipt]) -> Mapping[UUID, State]:
    """What became of each, by its last answer; a receipt that was withdrawn since leaves it awaiting."""
    answers = ProposalAnswer.objects.filter(proposal__in=proposals).select_related("receipt__lot__state")
    found = {each.pk: State() for each in proposals}
    for answer in answers.order_by("number"):
        if answer.receipt is not None and answer.receipt.lot.state.withdrawn:
            found[answer.proposal_id] = State(AWAITING, answer.number)
        else:
            state = str(answer.outcome)
            found[answer.proposal_id] = State(state, answer.number, answer.receipt_id, answer.because)
    return found


def in_state(proposals: QuerySet[ProposedReceipt], state: str) -> QuerySet[ProposedReceipt]:
    """Those in a state, as ``states`` tells it."""
    last = ProposalAnswer.objects.filter(proposal=OuterRef("pk")).order_by("-number")
    told = proposals.annotate(
        outcome=Subquery(last.values("outcome")[:1]),
        gone=Subquery(last.values("receipt__lot__state__withdrawn")[:1]),
    )
    awaiting = Q(outcome__isnull=True) | Q(outcome=ProposalOutcome.CONFIRMED, gone=True)
    return told.filter(awaiting) if state == AWAITING else told.filter(~awaiting, outcome=state)


def suggested(proposals: Sequence[ProposedReceipt]) -> Mapping[UUID, Material]:
    """The material in use here that bears the GTIN, else the code, of what was told; none where several do."""
    if not proposals:
        return {}
    read = {each.pk: each.said["read"] for each in proposals}
    gtins = {said["gtin"] for said in read.values() if "gtin" in said}
    codes = {said["item"] for said in read.values() if "item" in said}
    here = Material.objects.filter(establishment=proposals[0].establishment_id, in_use=True)
    by_gtin, by_code = (
        _once(here.filter(**{f"{name}__in": wanted}), name)
        for name, wanted in (("gtin", gtins), ("code", codes))
    )
    found = {}
    for key, said in read.items():
        material = by_gtin.get(said.get("gtin", "")) or by_code.get(said.get("item", ""))
        if material is not None:
            found[key] = material
    return found


def _once(materials: Any, name: str) -> dict[str, Material]:
    several: dict[str, list[Material]] = {}
    for material in materials:
        several.setdefault(getattr(material, name), []).append(material)
    return {value: rows[0] for value, rows in several.items() if len(rows) == 1}
