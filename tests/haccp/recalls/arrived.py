"""A recall notice that arrives and its reply, where a test needs a row of each kind."""

from datetime import timedelta

from batches.models import Lot
from haccp.models import NoticeReply
from haccp.recalls import arriving, replying
from haccp.recalls.arriving import Goods
from ledger.acts import Act


def take_in_and_reply(act: Act) -> NoticeReply:
    """An authority means every received lot with the code that some lot bears."""
    named = Lot.objects.filter(establishment=act.establishment, batch=None).exclude(state__supplier_code="")
    notice = arriving.take_in(
        act=act,
        said="Do not use these codes: glass was found.",
        came_by="letter",
        came_at=act.performed.at - timedelta(minutes=1),
        sender="Town food office",
        goods=Goods(codes=[named.latest("id").state.supplier_code]),
    )
    return replying.reply(act=act, notice=notice, means="e-mail", to="office@town.example")
