"""A public notice of a recall as a sheet to put up or hand to a paper: the text as it was written, set large.

That of an exercise bears a mark across every page; it is made so that people see what they would put up.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, ClassVar
from uuid import UUID

from django.utils.translation import gettext as _

from config.api.refusals import Unknown
from haccp.models import Means, RecallNotice
from ledger.models import Establishment
from reports.documents import Document
from reports.recall_letter import WATERMARKS


@dataclass(frozen=True)
class Passage:
    """Lines of the text that stand together; ``items`` of a list, or else ``lines``."""

    lines: tuple[str, ...]
    items: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class PublicNotice(Document):
    """``heading`` and ``passages`` are the text of the record, in ``speaks``."""

    kind: ClassVar[str] = "public-notice"
    tells_rules: ClassVar[bool] = False
    template: ClassVar[str] = "reports/public_notice.html"
    shows_limits: ClassVar[bool] = False
    hangs: ClassVar[bool] = True

    recall: str
    is_exercise: bool
    heading: str
    passages: tuple[Passage, ...]
    speaks: str
    record_ids: tuple[UUID, ...]

    @property
    def watermark(self) -> str:
        return WATERMARKS[self.speaks] if self.is_exercise else ""


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unknown for what is no public notice here."""
    _notice(establishment, subject)


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> PublicNotice:
    """Read the notice as it was written; call it within one snapshot."""
    notice = _notice(here, subject)
    return PublicNotice(
        recall=notice.recall.code,
        is_exercise=notice.recall.is_exercise,
        heading=notice.subject,
        passages=tuple(passages(notice.text)),
        speaks=notice.language,
        record_ids=(notice.pk,),
        confirmed_rules=(),
        cautions=(
            _(
                "Who put this up takes it down when the recall has ended, and puts up a new one when it is widened."
            ),
        ),
        deferral=_(
            "What the public is told, and where, is for the competent authority to say first; ask it before this is "
            "published."
        ),
        **head,
    )


def passages(text: str) -> Iterable[Passage]:
    """Pieces between empty lines; lines that begin with "- " or a number are items of a list."""
    for piece in text.split("\n\n"):
        told = [line.strip() for line in piece.splitlines() if line.strip()]
        if told:
            yield Passage(
                lines=tuple(line for line in told if not _is_item(line)),
                items=tuple(line.removeprefix("- ") for line in told if _is_item(line)),
            )


def _is_item(line: str) -> bool:
    return line.startswith("- ") or line[:2] in {f"{number}." for number in range(1, 10)}


def _notice(establishment: Establishment, subject: UUID) -> RecallNotice:
    rows = RecallNotice.objects.select_related("recall").of(establishment)
    found: RecallNotice | None = rows.filter(pk=subject, means=Means.PUBLIC).first()
    if found is None:
        raise Unknown("There is no such public notice here.", field="subject")
    return found
