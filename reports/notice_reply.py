"""The letter to whoever sent a recall notice: what the records hold of the lots it means, and nothing beyond."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from config.api.refusals import Unknown
from haccp.models import NoticeReply
from ledger.acts import Moment
from ledger.models import Establishment, Part
from ledger.stored import Stored
from reports import left_out
from reports.left_out import Included, LeavesOut

TITLE = gettext_lazy("reply to your recall notice")
UNIT_WORDS = {"KGM": gettext_lazy("kg"), "H87": gettext_lazy("pieces")}


@dataclass(frozen=True, kw_only=True)
class LotLine:
    """Amounts as text, in ``unit``. ``used_in``: in words, a batch each."""

    code: str
    material: str
    supplier_code: str
    best_before: str
    unit: str
    came: str
    used: str
    shipped: str
    returned: str
    sent_back: str
    sampled: str
    destroyed: str
    on_hand: str
    unexplained: str
    used_in: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class GotLine:
    """What one of those who got some got, in words a lot."""

    name: str
    got: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ReplyLetter(LeavesOut):
    """``named``: the lots that the notice means; ``became``: those made of them, or mixed with them."""

    kind: ClassVar[str] = "notice-reply"
    tells_rules: ClassVar[bool] = False
    template: ClassVar[str] = "reports/notice_reply.html"
    shows_limits: ClassVar[bool] = False

    addressed_to: str
    address: str
    reached_by: str
    reference: str
    came_at: datetime
    figures_at: datetime
    sent_by: str
    sent_at: datetime
    means: str
    named: tuple[LotLine, ...]
    became: tuple[LotLine, ...]
    consignees: tuple[GotLine, ...]
    with_consignees: bool
    figures_digest: str
    with_amounts: bool
    record_ids: tuple[UUID, ...]

    def withholds(self, record: Stored) -> bool:
        return not self.with_amounts and left_out.tells_quantities(record)


def refuse(here: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for what is no reply of this establishment."""
    _reply(here, subject)


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> ReplyLetter:
    """Of the figures as the reply keeps them: the letter is the same however often it is asked for."""
    reply = _reply(here, subject)
    outside = left_out.for_outside(about)
    words = left_out.words(here, [reply.pk]) if outside else []
    contacts = left_out.words(here, [reply.pk], Part.CONTACTS) if outside else []
    bare, hides_address = outside and not words, outside and bool(reply.to) and not contacts
    notice, lots = reply.notice, reply.figures["lots"]
    own_address = notice.partner.address if notice.partner else ""
    return ReplyLetter(
        addressed_to=notice.from_whom,
        address=own_address if hides_address else reply.to or own_address,
        reached_by=here.reached_by,
        reference=notice.reference,
        came_at=notice.came_at.astimezone(here.zone),
        figures_at=reply.figures_at.astimezone(here.zone),
        sent_by=reply.performed_by.name,
        sent_at=Moment(reply.performed_at, reply.performed_offset).local,
        means=_(reply.get_means_display()),
        named=tuple(_line(row, bare=bare) for row in lots if row["start"]),
        became=tuple(_line(row, bare=bare) for row in lots if not row["start"]),
        consignees=tuple(_got(row) for row in reply.figures["consignees"]),
        with_consignees=reply.with_consignees,
        figures_digest=reply.figures_digest,
        with_amounts=not bare,
        left_out=tuple(_told(bare=bare, address=hides_address)),
        included=Included.by([*words, *contacts]),
        record_ids=(notice.pk, reply.pk, *(each.pk for each in (*words, *contacts))),
        confirmed_rules=(),
        cautions=(
            _(
                "These are the amounts that were recorded by the time stated. What was not recorded is not in them, and "
                "they do not say whether the food may be eaten."
            ),
            _(
                "Keep what is held apart and marked, and destroy nothing before it is agreed how it is to be shown."
            ),
        ),
        deferral=_(
            "What is to be done with these goods, and who else is to be told, is for the competent authority to say; "
            "its word comes first."
        ),
        **head,
    )


def _told(*, bare: bool, address: bool) -> Iterator[str]:
    if bare:
        yield _("How much batches took of each lot, and how much is here of lots they took from")
        yield _(
            "What the notice and the reply keep of this, in the attached evidence: their digests and proofs are there"
        )
    if address:
        yield _("Where it was sent")


def _line(row: Mapping[str, Any], *, bare: bool) -> LotLine:
    """``bare``: without what was used, nor what is left of a lot that something was used of."""
    same = ("code", "material", "supplier_code", "best_before", "shipped", "returned", "sent_back")
    more = ("sampled", "destroyed", "unexplained")
    hides = bare and bool(row["used_in"])
    return LotLine(
        **{name: row[name] for name in (*same, *more)},
        **{name: "–" if hides else row[name] for name in ("used", "on_hand")},
        unit=str(UNIT_WORDS[row["unit"]]),
        came=row["received"] if row["start"] else row["made"],
        used_in=tuple(_used(each, row["unit"], bare=bare) for each in row["used_in"]),
    )


def _used(each: Mapping[str, Any], unit: str, *, bare: bool) -> str:
    told = {"quantity": each["quantity"], "unit": UNIT_WORDS[unit], "batch": each["batch"]}
    if not each["made"]:
        said = (
            _("in batch %(batch)s, which has made nothing yet")
            if bare
            else _("%(quantity)s %(unit)s in batch %(batch)s, which has made nothing yet")
        )
        return said % told
    said = (
        _("in batch %(batch)s, which made %(lots)s")
        if bare
        else _("%(quantity)s %(unit)s in batch %(batch)s, which made %(lots)s")
    )
    return said % (told | {"lots": ", ".join(each["made"])})


def _got(row: Mapping[str, Any]) -> GotLine:
    lots = (
        _("%(shipped)s %(unit)s of %(material)s, lot %(code)s; came back: %(returned)s")
        % (each | {"unit": UNIT_WORDS[each["unit"]]})
        for each in row["lots"]
    )
    return GotLine(name=row["name"], got=tuple(lots))


def _reply(here: Establishment, subject: UUID) -> NoticeReply:
    rows = NoticeReply.objects.select_related("notice__partner", "performed_by")
    found = rows.filter(establishment=here, pk=subject).first()
    if found is None:
        raise Unknown("There is no such reply here.", field="subject")
    return found
