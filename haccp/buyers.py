"""Which buyers of web orders a recall still needs, and forgetting the others when their time is over."""

from datetime import datetime

from django.db import transaction
from django.utils import timezone

from batches import web_orders
from batches.locks import lock_material
from batches.models import BuyerForgotten, Lot, LotStatus, WebOrder
from config.api.refusals import RuleBroken
from haccp.models import Recall, RecallQuestion, RecallQuestionLot
from haccp.recalls import questions
from haccp.recalls.scoping import in_scope, latest
from ledger import people
from ledger.acts import Act, Moment
from ledger.deeds import deed
from ledger.models import Establishment, Role
from ledger.people import service_person


@deed
def forget(*, act: Act, order: WebOrder, because: str) -> BuyerForgotten:
    """A food-safety lead forgets a buyer before the time is over, as when the buyer asks for it. Raises RuleBroken while a
    recall or a hold needs them."""
    lock_material(act.establishment)
    known = BuyerForgotten.new(act, order=order, because=because.strip())
    known.answer_if_repeated()
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "forgets buyers before their time")
    if _needed(act.establishment) & web_orders.lots_of([order]).get(order.pk, set()):
        raise RuleBroken(
            f"A lot of web order {order.number} is held or in a recall that goes on: the buyer is kept until it has ended.",
            code="needed-by-a-recall",
        )
    return web_orders.forget(act=act, order=order, because=because)


def sweep(now: datetime | None = None) -> int:
    """Forget every buyer whose time is over and whom no recall or hold needs; how many were forgotten."""
    at = now or timezone.now()
    waiting = Establishment.objects.filter(
        pk__in=WebOrder.objects.filter(buyer__isnull=False).values("establishment")
    )
    return sum(_forget_due(establishment, at) for establishment in waiting)


@transaction.atomic
def _forget_due(establishment: Establishment, at: datetime) -> int:
    """Under the material lock, so that no recall or hold comes between the look and the deed."""
    lock_material(establishment)
    who, today = service_person(), at.astimezone(establishment.zone).date()
    needed, due = _needed(establishment), web_orders.overdue(establishment, today)
    lots = web_orders.lots_of(due)
    free = [order for order in due if not needed & lots.get(order.pk, set())]
    for order in free:
        act = Act(
            establishment=establishment,
            performed_by=who,
            performed=Moment.of(at.astimezone(establishment.zone)),
            recorded_by=who,
        )
        web_orders.forget(act=act, order=order, because="No recall can need it any more: its time is over.")
    return len(free)


def _needed(establishment: Establishment) -> set[int]:
    """Keys of the lots that are held, in a recall that has not ended, or of which it is open whether to recall them.

    An exercise needs nobody.
    """
    held = Lot.objects.filter(establishment=establishment, state__status=LotStatus.HELD)
    running = Recall.objects.filter(establishment=establishment, is_exercise=False, end__isnull=True)
    recalled = [
        row["lot"] for recall in running if (scope := latest(recall)) is not None for row in in_scope(scope)
    ]
    found = Lot.objects.filter(establishment=establishment, uid__in=recalled)
    open_ones = questions.open_ones(RecallQuestion.objects.filter(establishment=establishment))
    asked = RecallQuestionLot.objects.filter(question__in=open_ones.values("pk"))
    needed = (
        held.values_list("pk", flat=True),
        found.values_list("pk", flat=True),
        asked.values_list("lot", flat=True),
    )
    return set().union(*needed)
