"""Telling those who got it: a text of our own for each consignee and language, kept as it was sent; mail goes after commit.

An exercise tells nobody outside: its mail goes to the house's own mailbox for exercises, or nowhere.
"""

import re
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django.core.mail import send_mail
from django.db import transaction
from django.db.models import F
from django.template import TemplateDoesNotExist
from django.template.loader import get_template
from django.utils import timezone

from batches.locks import lock_material
from batches.models import Buyer, TradingPartner, WebOrder
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.models import (
    Depth,
    Means,
    NoticePublished,
    Recall,
    RecallClass,
    RecallMail,
    RecallNotice,
    RecallScope,
)
from haccp.recalls.consignees import SoldAt, knows_buyer, receiver_of, sold_at, who_got
from haccp.recalls.deciding import refuse_ended, refuse_foreign, strategy_of
from haccp.recalls.scoping import in_scope, latest
from ledger import people
from ledger.acts import Act
from ledger.deeds import deed
from ledger.models import Role

LANGUAGES = ("en", "es")
PATIENCE = timedelta(minutes=2)
MOST_TRIES = 12  # with waits that double, six days
URGENT = frozenset({RecallClass.I, RecallClass.II})  # 21 CFR 7.49(b) asks for it (from memory)


@deed
def tell(
    *,
    act: Act,
    recall: Recall,
    means: str,
    partner: TradingPartner | None = None,
    order: WebOrder | None = None,
    language: str = "en",
    why: str,
    to: str = "",
) -> RecallNotice:
    """Tell one partner, the buyer of a web order, or the public, what is recalled, ``why``, and what to do; the text is
    kept as it stood.

    An e-mail is sent by the service; of a letter or a call this records that it was done. Of a public notice it writes the
    text, which ``publish`` then says was published. ``to``: the address; the partner's own if left out; a buyer's is never
    kept. Raises Unusable, Unknown, RuleBroken.
    """
    lock_material(act.establishment)
    notice = RecallNotice.new(
        act,
        recall=recall,
        partner=partner,
        order=order,
        means=means,
        language=language,
        why=why.strip(),
        to=to.strip(),
    )
    notice.to = notice.to or _own_address(notice)
    notice.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "tells partners of a recall")
    refuse_foreign(act, recall)
    refuse_ended(recall)
    scope = latest(recall)
    if scope is None:
        raise RuleBroken(f"{recall.code} has no scope yet: freeze one, then tell.", code="no-scope")
    _refuse_unusable(notice)
    notice.subject, notice.text, notice.lots = written(notice, scope)
    notice.insert()
    if means == Means.E_MAIL and _goes_to(notice):
        _send_after_commit(notice)
    return notice


def _own_address(notice: RecallNotice) -> str:
    if notice.partner is None or notice.means not in (Means.E_MAIL, Means.LETTER):
        return ""
    return notice.partner.email if notice.means == Means.E_MAIL else notice.partner.address


def _goes_to(notice: RecallNotice) -> str:
    """Where the mail really goes; of an exercise only to the house itself, and nowhere if a partner or buyer has that
    address. A buyer's is looked up as it is sent, so that it is nowhere but with the buyer."""
    here, mailbox = notice.establishment_id, notice.establishment.exercise_mailbox
    if not notice.recall.is_exercise:
        return _address_of_buyer(notice) if notice.order_id else notice.to
    theirs = TradingPartner.objects.filter(establishment=here, email__iexact=mailbox)
    buyers = Buyer.objects.filter(establishment=here, email__iexact=mailbox)
    return "" if not mailbox or theirs.exists() or buyers.exists() else mailbox


def _address_of_buyer(notice: RecallNotice) -> str:
    return Buyer.objects.filter(order=notice.order_id).values_list("email", flat=True).first() or ""


def _refuse_unusable(notice: RecallNotice) -> None:
    partner = notice.partner
    if notice.corrects_id is not None:
        raise RuleBroken("Who was told was told: tell them anew.", code="not-corrected", field="corrects")
    if not notice.why:
        raise Unusable("Say why, in the words and the language of the notice.", code="missing", field="why")
    for name, row in (("partner", partner), ("order", notice.order)):
        if row is not None and row.establishment_id != notice.establishment_id:
            raise Unknown(f"There is no {name} {row.pk} here.", field=name)
    named = sum(1 for row in (partner, notice.order) if row is not None)
    if named != (0 if notice.means == Means.PUBLIC else 1):
        raise Unusable(
            "A public notice names nobody; every other one names a partner, or the web order of a buyer.",
            code="partner",
            field="partner",
        )
    if notice.order is not None:
        _refuse_unreachable(notice, notice.order)
    elif notice.means == Means.E_MAIL and "@" not in notice.to:
        raise Unusable(
            "There is no e-mail address of this partner: give one, or tell them another way.",
            code="no-address",
            field="to",
        )


def _refuse_unreachable(notice: RecallNotice, order: WebOrder) -> None:
    if not knows_buyer(order, timezone.now()):
        raise RuleBroken(
            f"The buyer of web order {order.number} is forgotten: only a public notice can reach them.",
            code="buyer-forgotten",
            field="order",
        )
    if notice.to:
        raise Unusable(
            "The address of a buyer is kept with the buyer only: put it right there.",
            code="not-kept",
            field="to",
        )
    if notice.means == Means.E_MAIL and not _address_of_buyer(notice):
        raise Unusable(
            "There is no e-mail address of this buyer: tell them another way.",
            code="no-address",
            field="means",
        )


def written(notice: RecallNotice, scope: RecallScope) -> tuple[str, str, list[str]]:
    """Subject, text and the lots it names (uuids), in its language. Raises Unusable for one that has no template."""
    recall, strategy = notice.recall, strategy_of(notice.recall)
    uids = [each["lot"] for each in in_scope(scope)]
    got = who_got(recall.establishment, uids)
    asked = (notice.partner_id, notice.order_id)
    theirs = [row.as_row() for each in got if receiver_of(each) == asked for row in each.got]
    shipped = {str(row.lot) for each in got for row in each.got if row.shipped}
    sold = [each for each in in_scope(scope) if each["lot"] in shipped]
    context: dict[str, Any] = {
        "recall": recall,
        "why": notice.why,
        "house": recall.establishment,
        "house_address": ", ".join(recall.establishment.address.split("\n")),
        "partner": notice.partner,
        "order": notice.order,
        "urgent": strategy.recall_class in URGENT,
        "to_consumers": strategy.depth == Depth.CONSUMER,
        "got": theirs,
        "lots": sold,
        "where": _where(sold_at(recall.establishment, uids, got)),
        "elsewhere": any(row.shipped for each in got if each.is_named and not each.order for row in each.got),
    }
    kind = "public" if notice.means == Means.PUBLIC else "notice"
    subject, _, text = _template(kind, notice.language).render(context).strip().partition("\n")
    named = theirs if kind == "notice" else sold
    return " ".join(subject.split())[:200], _tidy(text), [each["lot"] for each in named]


def _template(kind: str, language: str) -> Any:
    try:
        return get_template(f"haccp/recalls/{kind}.{language}.txt")
    except TemplateDoesNotExist:
        known = ", ".join(LANGUAGES)
        raise Unusable(f"There is a text in: {known}.", code="language", field="language") from None


def _tidy(text: str) -> str:
    return re.sub(r"\n{3,}", "\n\n", text.strip())


def _where(found: Sequence[SoldAt]) -> list[dict[str, Any]]:
    """Places and days on which buyers may have got some, each once; the widest span of days of all lots."""
    spans: dict[tuple[str, date], date | None] = {}
    for at, row in (
        (each.outlet, row) for each in found for row in each.lots if row.with_buyers or row.there
    ):
        for visit in row.visits:
            key = (_place(at, visit.place), visit.first)
            spans[key] = _later(spans.get(key, visit.last), visit.last)
    return [{"place": place, "first": first, "last": last} for (place, first), last in sorted(spans.items())]


def _later(one: date | None, other: date | None) -> date | None:
    return None if one is None or other is None else max(one, other)


def _place(outlet: TradingPartner, said: str) -> str:
    where = said or ", ".join(line.strip() for line in outlet.address.splitlines() if line.strip())
    return f"{outlet.name}, {where}" if where else outlet.name


@deed
def publish(*, act: Act, recall: Recall, notice: RecallNotice, where: str) -> NoticePublished:
    """Record that a public notice was published, where and when. Raises RuleBroken for an exercise, Unknown, Unusable."""
    lock_material(act.establishment)
    record = NoticePublished.new(act, notice=notice, where=where.strip())
    record.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "publishes notices of a recall")
    refuse_foreign(act, recall)
    if notice.recall_id != recall.pk or notice.means != Means.PUBLIC:
        raise Unknown(f"{recall.code} has no public notice {notice.pk}.", field="notice")
    if recall.is_exercise:
        raise RuleBroken(
            "An exercise publishes nothing: its notice is written, and that is all.", code="exercise"
        )
    if not record.where:
        raise Unusable("Say where it was published.", code="missing", field="where")
    corrected: Any = record.corrects
    if corrected is not None and corrected.notice_id != notice.pk:
        raise Unknown(f"Record {corrected.pk} is about another notice.", field="corrects")
    return record.insert()


# -- on its way ----------------------------------------------------------------------------------------


def _send_after_commit(notice: RecallNotice) -> None:
    mail = RecallMail.objects.create(notice=notice, made_at=timezone.now())
    transaction.on_commit(lambda: _send_soon(mail.pk), robust=True)


def _send_soon(pk: int) -> None:
    from haccp.tasks import send_recall_mail

    send_recall_mail.delay(pk)


@transaction.atomic
def send(pk: int) -> None:
    """Send one notice. A second call finds it sent and stops; a failing mail server raises, to be tried again."""
    mail = (
        RecallMail.objects.select_for_update(of=("self",))
        .select_related("notice__recall", "notice__establishment")
        .get(pk=pk)
    )
    if mail.sent_at:
        return
    notice = mail.notice
    to = _goes_to(notice)
    if to:
        send_mail(notice.subject, notice.text, None, [to])
        mail.sent_at = timezone.now()
        mail.save(update_fields=["sent_at"])


def sweep(now: datetime | None = None) -> int:
    """Send again what is still unsent, after waits that double; the number of messages given to the broker."""
    from haccp.tasks import send_recall_mail

    at = now or timezone.now()
    waiting = RecallMail.objects.filter(sent_at__isnull=True, tries__lt=MOST_TRIES, made_at__lt=at - PATIENCE)
    lost = [row.pk for row in waiting if row.made_at + PATIENCE * 2**row.tries < at]
    for pk in lost:
        RecallMail.objects.filter(pk=pk).update(tries=F("tries") + 1)
        send_recall_mail.delay(pk)
    return len(lost)
