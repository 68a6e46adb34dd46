"""A recall notice as a letter: the text as it was recorded, on the house's own letterhead, with a form to answer on.

One for each notice that names a partner. Where nobody is named it is the notice that hangs in the shop.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, ClassVar
from uuid import UUID

from config.api.refusals import Unknown
from haccp.models import RecallNotice
from haccp.recalls.consignees import receiver_of, who_got
from haccp.recalls.scoping import in_scope, latest
from ledger.acts import Moment
from ledger.models import Establishment
from reports.documents import Document

WATERMARKS = {"en": "EXERCISE", "es": "SIMULACRO"}


@dataclass(frozen=True)
class FormLine:
    """A lot that they got by our records: what they write beside it comes back as an answer."""

    lot: str
    material: str


@dataclass(frozen=True, kw_only=True)
class RecallLetter(Document):
    """``address``: the lines of whom it goes to; none of a public notice, nor of one to the buyer of a web order, whose
    address is kept in no document. ``written_at``: when the notice was recorded."""

    kind: ClassVar[str] = "recall-letter"
    tells_rules: ClassVar[bool] = False
    template: ClassVar[str] = "reports/recall_letter.html"
    shows_limits: ClassVar[bool] = False

    recall: str
    is_exercise: bool
    reached_by: str
    address: tuple[str, ...]
    written_at: datetime
    signed_by: str
    subject: str
    text: str
    to_answer: tuple[FormLine, ...]
    record_ids: tuple[UUID, ...]

    @property
    def watermark(self) -> str:
        return WATERMARKS[self.language] if self.is_exercise else ""


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for a notice of another establishment."""
    _notice(establishment, subject)


def _notice(here: Establishment, subject: UUID) -> RecallNotice:
    rows = RecallNotice.objects.select_related("recall__establishment", "partner", "performed_by")
    found = rows.filter(establishment=here, pk=subject).first()
    if found is None:
        raise Unknown(f"There is no recall notice {subject} here.", field="subject")
    return found


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> RecallLetter:
    """The notice as it was recorded, in its own language; call it within one snapshot."""
    notice = _notice(here, subject)
    return RecallLetter(
        recall=notice.recall.code,
        is_exercise=notice.recall.is_exercise,
        reached_by=here.reached_by,
        address=_address(notice),
        written_at=Moment(notice.performed_at, notice.performed_offset).local,
        signed_by=notice.performed_by.name,
        subject=notice.subject,
        text=notice.text,
        to_answer=_to_answer(notice),
        record_ids=(notice.pk,),
        confirmed_rules=(),
        cautions=(),
        deferral="",
        **(head | {"language": notice.language}),
    )


def _address(notice: RecallNotice) -> tuple[str, ...]:
    """A letter goes where its record says; what was told another way and is confirmed in writing, to their own address."""
    if notice.partner is None:
        return ()
    address = notice.to if notice.means == "letter" else notice.partner.address
    return (notice.partner.name, *filter(None, map(str.strip, address.splitlines())))


def _to_answer(notice: RecallNotice) -> tuple[FormLine, ...]:
    """The lots they had got when the notice was written."""
    at, scope = notice.recorded_at, latest(notice.recall, notice.recorded_at)
    if notice.partner is None or scope is None:
        return ()
    lots = [each["lot"] for each in in_scope(scope, at)]
    got = who_got(notice.recall.establishment, lots, at)
    return tuple(
        FormLine(each.code, each.material)
        for received in got
        if receiver_of(received) == (notice.partner_id, None)
        for each in received.got
    )
