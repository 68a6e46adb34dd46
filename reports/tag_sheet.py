"""Tags on sheets of labels as a document: two across, five down, nothing else on the paper."""

from dataclasses import dataclass
from typing import Any, ClassVar
from uuid import UUID

from batches.models import Movement
from config.api.refusals import Unusable
from ledger.models import Establishment
from reports import tag_drawing, tags
from reports.api.tags import TagSerializer
from reports.documents import Document
from reports.tag_drawing import Tag
from reports.tags import Asked

A_SHEET = 10
MOST = 200  # tags of one document


@dataclass(frozen=True, kw_only=True)
class TagSheet(Document):
    """``record_ids``: the samplings that tags tell of."""

    kind: ClassVar[str] = "tag-sheet"
    template: ClassVar[str] = "reports/tag_sheet.html"

    tags: tuple[Tag, ...]
    record_ids: tuple[UUID, ...]

    @property
    def sheets(self) -> list[list[str]]:
        drawn = [tag_drawing.svg(tag) for tag in self.tags]
        return [drawn[at : at + A_SHEET] for at in range(0, len(drawn), A_SHEET)]


def refuse(establishment: Establishment, subject: UUID, about: dict[str, Any]) -> None:
    """Raise Unusable, RuleBroken, Unknown where such a sheet cannot be made."""
    tags.made(_read(establishment, about))


def build(here: Establishment, subject: UUID, about: dict[str, Any], **head: Any) -> TagSheet:
    """Draw the tags as things stand; call it within one snapshot."""
    asked = _read(here, about)
    records = {each.about.pk for each in asked if isinstance(each.about, Movement)}
    found = tuple(tags.made(asked))
    return TagSheet(tags=found, record_ids=tuple(sorted(records)), confirmed_rules=(), **head)


def _read(establishment: Establishment, about: dict[str, Any]) -> list[Asked]:
    reader = TagSerializer(data=about.get("tags"), many=True, context={"establishment": establishment})
    reader.is_valid(raise_exception=True)
    asked = [
        Asked(each["kind"], each.get("lot") or each["movement"], each["copies"])
        for each in reader.validated_data
    ]
    if not 1 <= sum(each.copies for each in asked) <= MOST:
        raise Unusable(f"A document has 1 to {MOST} tags.", code="too-many", field="tags")
    return asked
