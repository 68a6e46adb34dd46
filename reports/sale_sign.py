"""The sign for unpacked sale as a document: what the sweets are called, made of, contain and may contain."""

from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar
from uuid import UUID

from django.utils import timezone
from django.utils.translation import gettext as _

from batches.models import Material
from config.api.refusals import Unknown
from haccp.allergens import lists
from haccp.labels import signs
from haccp.labels.signs import Face
from ledger.models import Establishment
from reports.documents import Document, SignatureLine
from reports.signed import signatures_on


@dataclass(frozen=True, kw_only=True)
class SaleSign(Document):
    """``allergen_names``: in which words allergens are named. ``label``: the version it follows.

    ``lots``: what it speaks for; other lots ask for a new sign.
    """

    kind: ClassVar[str] = "sale-sign"
    tells_rules: ClassVar[bool] = False
    template: ClassVar[str] = "reports/sale_sign.html"
    shows_limits: ClassVar[bool] = False
    hangs: ClassVar[bool] = True

    product: str
    on: date
    label: str
    faces: tuple[Face, ...]
    contains: tuple[str, ...]
    may: tuple[str, ...]
    not_known: tuple[str, ...]
    allergen_names: str
    lots: tuple[str, ...]
    record_ids: tuple[UUID, ...]

    @property
    def in_other_languages(self) -> bool:
        """Whether the label speaks a language that its allergens are not named in below."""
        return any(face.language != self.language for face in self.faces)


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a product of another establishment, or one without a label in force."""
    signs.sign(_material(establishment, subject), _today(establishment))


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> SaleSign:
    """Read what the sign tells today; call it within one snapshot."""
    material, today = _material(here, subject), _today(here)
    found = signs.sign(material, today)
    approvals = list(signatures_on([found.version.pk]))
    confirmed, unconfirmed = lists.lines_on(here, today)
    return SaleSign(
        product=material.name,
        on=today,
        label=f"{found.version.label.code}, {_('version')} {found.version.number}",
        faces=found.faces,
        contains=found.contains,
        may=found.may,
        not_known=found.not_known,
        allergen_names=_(signs.NAMES),
        lots=found.lots,
        record_ids=(found.version.pk, *(each.pk for each in approvals)),
        signatures=tuple(SignatureLine.of(each, _("the label")) for each in approvals),
        confirmed_rules=confirmed,
        unconfirmed_rules=unconfirmed,
        cautions=(
            _("Ask us about allergens before you buy. What is not known here is not absent."),
            _("Take this sign down when other lots go on sale, and make a new one."),
        ),
        deferral=_(
            "What must stand on a sign for unpacked food is for the law of the place to say; this tells what the "
            "records know."
        ),
        **head,
    )


def _today(here: Establishment) -> date:
    return timezone.now().astimezone(here.zone).date()


def _material(here: Establishment, subject: UUID) -> Material:
    rows = Material.objects.select_related("establishment")
    found = rows.filter(establishment=here, pk=subject).first()
    if found is None:
        raise Unknown("There is no such material here.", field="subject")
    return found
