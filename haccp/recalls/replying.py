"""The reply to whoever sent a notice: what is on hand, was used, shipped, came back and was destroyed, as of a time.

It says what the records hold and nothing beyond. Who got some is in it only where a person puts it in.
"""

import csv
import io
from collections.abc import Iterator, Mapping
from datetime import datetime
from hashlib import sha256
from typing import Any

from django.utils import timezone

from batches.locks import lock_material
from batches.models import Lot
from config.api.formulas import harmless
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.models import Means, NoticeArrived, NoticeReply
from haccp.recalls import accounting, scoping
from haccp.recalls.arriving import starts_of
from ledger.acts import Act
from ledger.canonical import canonical
from ledger.deeds import deed

LANGUAGES = ("en", "es")
COLUMNS = (
    "code",
    "material",
    "supplier",
    "supplier_code",
    "day",
    "best_before",
    "start",
    "unit",
    *accounting.NAMES,
    "on_hand",
    "unexplained",
)


def figures(
    notice: NoticeArrived, at: datetime | None = None, *, with_consignees: bool = False
) -> dict[str, Any]:
    """Of each lot it means and each made of those, as it was known at a time, now if left out."""
    at = at or timezone.now()
    here = notice.establishment
    starts = set(Lot.objects.filter(uid__in=starts_of(notice, at)).values_list("pk", flat=True))
    rows = accounting.account(here, scoping.reached(here, starts), starts, at) if starts else []
    got = accounting.consignees(here, [row["lot"] for row in rows], at) if with_consignees and rows else []
    return {"lots": rows, "consignees": got}


def digest(told: Mapping[str, Any]) -> str:
    """SHA-256 over the canonical JSON (RFC 8785) of figures."""
    return sha256(canonical(dict(told))).hexdigest()


@deed
def reply(
    *,
    act: Act,
    notice: NoticeArrived,
    means: str,
    language: str = "en",
    to: str = "",
    with_consignees: bool = False,
    figures_at: datetime | None = None,
) -> NoticeReply:
    """Somebody told the sender, by these means; the figures are kept as they stood. Raises Unusable, Unknown, RuleBroken."""
    lock_material(act.establishment)
    made = NoticeReply.new(
        act,
        notice=notice,
        means=means,
        language=language,
        to=to.strip(),
        with_consignees=with_consignees,
        figures_at=figures_at or _as_stored(act) or timezone.now(),
    )
    if notice.establishment_id != act.establishment.pk:
        raise Unknown(f"There is no notice {notice.pk} here.", field="notice")
    made.answer_if_repeated()
    _refuse_unusable(made)
    made.figures = figures(notice, made.figures_at, with_consignees=with_consignees)
    made.figures_digest = digest(made.figures)
    return made.insert()


def _as_stored(act: Act) -> datetime | None:
    """So that a reply that is sent again without a time is the same reply."""
    known = NoticeReply.objects.filter(pk=act.id, establishment=act.establishment) if act.id else None
    return None if known is None else known.values_list("figures_at", flat=True).first()


def _refuse_unusable(made: NoticeReply) -> None:
    if made.corrects_id is not None:
        raise RuleBroken("What was sent was sent: reply anew.", code="not-corrected", field="corrects")
    if made.means == Means.PUBLIC:
        raise Unusable("A reply goes to whoever sent the notice.", code="means", field="means")
    if made.language not in LANGUAGES:
        raise Unusable(f"There is a letter in: {', '.join(LANGUAGES)}.", code="language", field="language")
    if made.figures_at > timezone.now():
        raise Unusable("That time has not come yet.", code="in-the-future", field="figures_at")


def as_csv(told: Mapping[str, Any]) -> Iterator[str]:
    """The lots of figures as lines of a table, one a lot."""
    yield _line((*COLUMNS, "used_in"))
    for row in told["lots"]:
        used = "; ".join(f"{each['quantity']} in {each['batch']}" for each in row["used_in"])
        yield _line((*(_shown(row[name]) for name in COLUMNS), used))


def _shown(value: Any) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else value


def _line(cells: Any) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow(map(harmless, cells))
    return out.getvalue()
