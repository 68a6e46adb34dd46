"""Tags on sheets of labels as a document: two across, five down, nothing else on the paper.

A label with a GS1-128 is as wide as two tags and has a row of its own, so that plain paper or undivided stock suits it.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, ClassVar
from uuid import UUID

from batches.models import Movement
from config.api.refusals import Unusable
from ledger.models import Establishment
from reports import lot_labels, tags
from reports.api.tags import TagSerializer
from reports.documents import Document
from reports.lot_labels import Drawn
from reports.tag_drawing import Tag
from reports.tags import Asked

ROWS = 5
MOST = 200  # tags of one document


@dataclass(frozen=True, kw_only=True)
class TagSheet(Document):
    """``record_ids``: the samplings that tags tell of."""

    kind: ClassVar[str] = "tag-sheet"
    tells_rules: ClassVar[bool] = False
    template: ClassVar[str] = "reports/tag_sheet.html"

    tags: tuple[Drawn, ...]
    record_ids: tuple[UUID, ...]

    @property
    def sheets(self) -> list[list[str]]:
        rows = _rows(self.tags)
        return [
            [lot_labels.svg(tag) for row in rows[at : at + ROWS] for tag in row]
            for at in range(0, len(rows), ROWS)
        ]


def _rows(drawn: Iterable[Drawn]) -> list[list[Drawn]]:
    """Two tags a row, in the order they were asked for; a wide label one."""
    rows: list[list[Drawn]] = []
    for each in drawn:
        room = rows and len(rows[-1]) == 1 and isinstance(rows[-1][0], Tag) and isinstance(each, Tag)
        if room:
            rows[-1].append(each)
        else:
            rows.append([each])
    return rows


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
        Asked(
            each["kind"],
            each.get("lot") or each["movement"],
            each["copies"],
            each.get("carrier", ""),
            each.get("made_on", False),
        )
        for each in reader.validated_data
    ]
    if not 1 <= sum(each.copies for each in asked) <= MOST:
        raise Unusable(f"A document has 1 to {MOST} tags.", code="too-many", field="tags")
    return asked
