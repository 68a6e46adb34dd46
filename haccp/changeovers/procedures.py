"""Cleaning procedures: a draft that changes, and approved versions that never do (decision D18)."""

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

from django.db.models import Exists, OuterRef, QuerySet

from batches import recipes, reference
from config.api.refusals import ChangedMeanwhile, Reason, RuleBroken
from haccp.allergens import lists
from haccp.allergens.vocabulary import Vocabulary
from haccp.changeovers import procedure_documents
from haccp.changeovers.procedure_documents import Procedure
from haccp.models import CleaningProcedure, CleaningProcedureVersion
from ledger import people, signatures
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Entry, Establishment, Role


@deed
def draft(*, act: Act, code: str, name: str, document: dict[str, Any]) -> CleaningProcedure:
    """Begin a procedure. A draft may be incomplete or wrong; ``gaps`` says what approval would refuse.

    Raises Unusable (a number that is not text, too large), RuleBroken where the code is taken.
    """
    values = {"code": code, "name": name, "draft": document}
    return reference.make(act=act, kind=CleaningProcedure, values=recipes.with_text_only(values))


@deed
def redraft(
    *, act: Act, procedure: CleaningProcedure, values: dict[str, Any], expected_version: int | None = None
) -> CleaningProcedure:
    """Change draft, name, code or use of a procedure; approved versions stay. Raises Unusable, ChangedMeanwhile."""
    return reference.alter(
        act=act, row=procedure, values=recipes.with_text_only(values), expected_version=expected_version
    )


@deed
def approve(
    *, act: Act, procedure: CleaningProcedure, proof: signatures.Proof, expected_version: int | None = None
) -> CleaningProcedureVersion:
    """Approve the draft as the next version, signed. Raises RuleBroken with every reason at once.

    ``expected_version``: the version of the draft that the signer read (ChangedMeanwhile for another).
    """
    locked = CleaningProcedure.objects.select_for_update(of=("self",), no_key=True).get(pk=procedure.pk)
    latest = latest_version(locked)
    version = CleaningProcedureVersion.new(
        act, procedure=locked, number=latest.number + 1 if latest else 1, document=locked.draft
    )
    version.answer_if_repeated()
    if expected_version is not None and locked.version != expected_version:
        raise ChangedMeanwhile(
            "The draft was changed since you read it. Nothing was approved; read it again."
        )
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "approves cleaning procedures")
    _refuse_unapprovable(locked, latest)
    version.insert()
    entry = Entry.objects.get(pk=version.pk)
    signatures.sign(act=act.with_new_id(), proof=proof, target=entry, meaning="approved")
    return version


def _refuse_unapprovable(procedure: CleaningProcedure, latest: CleaningProcedureVersion | None) -> None:
    reasons = gaps(procedure)
    if not procedure.in_use:
        sentence = f"Procedure {procedure.code} is marked as no longer in use."
        reasons.append(Reason("not-in-use", sentence, "in_use"))
    if latest is not None and latest.document == procedure.draft:
        sentence = f"The draft is the same as version {latest.number}, which is approved."
        reasons.append(Reason("unchanged", sentence, "draft", [str(latest.pk)]))
    if reasons:
        counted = f"{len(reasons)} {'reason' if len(reasons) == 1 else 'reasons'}"
        raise RuleBroken(
            f"The cleaning procedure cannot be approved: {counted}. Nothing was written.",
            code="cleaning-procedure-not-approvable",
            reasons=reasons,
        )


# -- what a reader asks -------------------------------------------------------------------------------


def gaps(procedure: CleaningProcedure) -> list[Reason]:
    """Everything that stands between this draft and its approval; empty when nothing does."""
    found = procedure_documents.read(procedure.draft)
    reasons = list(found) if isinstance(found, list) else []
    reasons += _unknown_allergens(procedure)
    return [replace(reason, field=f"draft.{reason.field}".rstrip(".")) for reason in reasons]


def _unknown_allergens(procedure: CleaningProcedure) -> list[Reason]:
    named = procedure_documents.allergens_named(procedure.draft)
    known = lists.vocabulary(procedure.establishment)
    return [reason for field, codes in named.items() for reason in known.unknown(codes, field)]


def document_of(version: CleaningProcedureVersion) -> Procedure:
    """The approved document as values; it could be read when it was approved."""
    found = procedure_documents.read(version.document)
    assert isinstance(found, Procedure)
    return found


def latest_version(procedure: CleaningProcedure) -> CleaningProcedureVersion | None:
    """The version in force: the newest approval."""
    versions = CleaningProcedureVersion.objects.standing().filter(procedure=procedure)
    return versions.order_by("-number").first()


def in_force(establishment: Establishment) -> list[CleaningProcedureVersion]:
    """The newest approved version of each procedure in use, by code. One statement."""
    return list(_newest(establishment).select_related("procedure").order_by("procedure__code", "id"))


def _newest(establishment: Establishment) -> QuerySet[CleaningProcedureVersion]:
    newer = CleaningProcedureVersion.objects.filter(
        procedure=OuterRef("procedure"), number__gt=OuterRef("number")
    )
    found: QuerySet[CleaningProcedureVersion] = CleaningProcedureVersion.objects.standing().of(establishment)
    return found.filter(~Exists(newer), procedure__in_use=True)


@dataclass(frozen=True)
class Means:
    """An approved procedure and what it says."""

    version: CleaningProcedureVersion
    procedure: Procedure

    def clears(self, allergens: Collection[str], vocabulary: Vocabulary) -> bool:
        return all(self.procedure.clears.names(code, vocabulary.groups_of(code)) for code in allergens)


def means(establishment: Establishment) -> list[Means]:
    """Every procedure in force. One statement."""
    return [Means(version, document_of(version)) for version in in_force(establishment)]


def that_clear(known: Collection[Means], allergens: Collection[str], vocabulary: Vocabulary) -> list[Means]:
    """Those that clear every one of ``allergens``, the quickest first."""
    good = [each for each in known if each.clears(allergens, vocabulary)]
    return sorted(good, key=lambda each: (each.procedure.minutes, each.version.procedure.code))
