"""Telling those who got it: a text of our own for each consignee and language, kept as it was sent; mail goes after commit.

An exercise tells nobody outside: its mail goes to the house's own mailbox for exercises, or nowhere.
"""

from datetime import datetime, timedelta
from typing import Any

from django.core.mail import send_mail
from django.db import transaction
from django.db.models import F
from django.template import TemplateDoesNotExist
from django.template.loader import get_template
from django.utils import timezone

from batches.locks import lock_material
from batches.models import TradingPartner
from config.api.refusals import RuleBroken, Unknown, Unusable
from haccp.models import Depth, Means, Recall, RecallClass, RecallMail, RecallNotice, RecallScope
from haccp.recalls.consignees import who_got
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
    language: str = "en",
    why: str,
    to: str = "",
) -> RecallNotice:
    """Tell one partner, or the public, what is recalled, ``why``, and what to do; the text is kept as it stood.

    An e-mail is sent by the service; of a letter, a call or a public notice this records that it was done. ``to``:
    the address; the partner's own if left out. Raises Unusable, Unknown, RuleBroken.
    """
    lock_material(act.establishment)
    notice = RecallNotice.new(
        act, recall=recall, partner=partner, means=means, language=language, why=why.strip(), to=to.strip()
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
    notice.subject, notice.text = written(notice, scope)
    notice.insert()
    if means == Means.E_MAIL and _goes_to(notice):
        _send_after_commit(notice)
    return notice


def _own_address(notice: RecallNotice) -> str:
    if notice.partner is None or notice.means not in (Means.E_MAIL, Means.LETTER):
        return ""
    return notice.partner.email if notice.means == Means.E_MAIL else notice.partner.address


def _goes_to(notice: RecallNotice) -> str:
    """Where the mail really goes; of an exercise only to the house itself, and nowhere if a partner has that address."""
    if not notice.recall.is_exercise:
        return notice.to
    mailbox = notice.establishment.exercise_mailbox
    theirs = TradingPartner.objects.filter(establishment=notice.establishment_id, email__iexact=mailbox)
    return "" if not mailbox or theirs.exists() else mailbox


def _refuse_unusable(notice: RecallNotice) -> None:
    partner = notice.partner
    if notice.corrects_id is not None:
        raise RuleBroken("Who was told was told: tell them anew.", code="not-corrected", field="corrects")
    if not notice.why:
        raise Unusable("Say why, in the words and the language of the notice.", code="missing", field="why")
    if partner is not None and partner.establishment_id != notice.establishment_id:
        raise Unknown(f"There is no partner {partner.pk} here.", field="partner")
    if (notice.means == Means.PUBLIC) != (partner is None):
        raise Unusable(
            "A public notice names no partner, every other one does.", code="partner", field="partner"
        )
    if notice.means == Means.E_MAIL and "@" not in notice.to:
        raise Unusable(
            "There is no e-mail address of this partner: give one, or tell them another way.",
            code="no-address",
            field="to",
        )


def written(notice: RecallNotice, scope: RecallScope) -> tuple[str, str]:
    """Subject and text in the language of the notice. Raises Unusable for one that has no template."""
    recall, partner = notice.recall, notice.partner
    try:
        template = get_template(f"haccp/recalls/notice.{notice.language}.txt")
    except TemplateDoesNotExist:
        known = ", ".join(LANGUAGES)
        raise Unusable(f"There is a text in: {known}.", code="language", field="language") from None
    strategy = strategy_of(recall)
    got = who_got(recall.establishment, [each["lot"] for each in in_scope(scope)])
    context: dict[str, Any] = {
        "recall": recall,
        "why": notice.why,
        "house": recall.establishment,
        "house_address": ", ".join(recall.establishment.address.split("\n")),
        "partner": partner,
        "urgent": strategy.recall_class in URGENT,
        "to_consumers": strategy.depth == Depth.CONSUMER,
        "got": [each.as_row() for key, rows in got if key == partner for each in rows],
        "lots": _sold(scope, {str(each.lot) for _, rows in got for each in rows if each.shipped}),
    }
    subject, _, text = template.render(context).strip().partition("\n")
    return " ".join(subject.split())[:200], text.strip()


def _sold(scope: RecallScope, shipped: set[str]) -> list[dict[str, Any]]:
    return [each for each in in_scope(scope) if each["lot"] in shipped]


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
