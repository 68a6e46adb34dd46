"""The letter to whoever sent a recall notice: of the figures that the reply keeps, in the language of the reply."""

from typing import Any

import pytest

from haccp.models import NoticeReply
from haccp.recalls import replying
from reports import jobs, rendering
from reports.models import DocumentJob
from tests.batches.conftest import *  # noqa: F403 - a house that makes things
from tests.haccp.conftest import *  # noqa: F403 - a plan and its checks
from tests.haccp.recalls.conftest import *  # noqa: F403 - notices
from tests.haccp.recalls.conftest import LATER

pytestmark = pytest.mark.django_db


@pytest.fixture
def replied(
    take_in: Any, receive: Any, batch: Any, use: Any, make_lot: Any, ship: Any, shop: Any, act: Any
) -> Any:
    def do(**values: Any) -> NoticeReply:
        lot = receive(supplier_code="HN-7", at=LATER)
        use(lot, batch)
        ship(make_lot(batch), shop, "0.4")
        notice = take_in(reference="Notice 12")
        from django.utils import timezone

        now = timezone.now().astimezone(LATER.tzinfo)
        return replying.reply(act=act(at=now), notice=notice, **({"means": "letter"} | values))

    return do


def letter(api: Any, reply: NoticeReply, language: str = "en") -> Any:
    body = {"kind": "notice-reply", "subject": str(reply.pk), "language": language}
    answer = api.send("documents", body)
    assert answer.status_code == 202, answer.json()
    return DocumentJob.objects.get(pk=answer.json()["id"])


def page(job: DocumentJob) -> str:
    return rendering.to_html(jobs.read(job)[0], for_paper=False)


def test_it_tells_the_kept_figures_of_what_is_meant_and_of_what_was_made(api: Any, replied: Any) -> None:
    reply = replied()
    document, shown = jobs.read(letter(api, reply))
    (named,), (made,) = document.named, document.became
    assert (named.supplier_code, named.came, named.used, named.on_hand) == (
        "HN-7",
        "20.000",
        "2.000",
        "18.000",
    )
    assert (made.shipped, made.on_hand) == ("0.400", "0.600")
    assert document.figures_digest == reply.figures_digest
    assert {record.pk for record in shown} == {reply.pk, reply.notice_id}


def test_it_names_who_got_some_only_where_the_reply_does(api: Any, replied: Any) -> None:
    assert "Corner shop" not in page(letter(api, replied()))


def test_with_consignees_it_names_them(api: Any, replied: Any) -> None:
    assert "Corner shop" in page(letter(api, replied(with_consignees=True)))


def test_in_spanish_no_english_is_left_in_its_frame_or_text(api: Any, replied: Any) -> None:
    told = page(letter(api, replied(with_consignees=True), "es"))
    assert "Su aviso llegó" in told
    for english in (
        "Caution",
        "Seal",
        "Received",
        "Your notice",
        "On hand",
        "Nothing in this",
        "pieces",
        "Made ",
    ):
        assert english not in told, english


def test_it_claims_nothing_of_what_may_be_eaten(api: Any, replied: Any) -> None:
    told = page(letter(api, replied()))
    assert "do not say whether the food may be eaten" in told
    assert "safe" not in told


@pytest.mark.pdf
def test_it_is_made_as_pdf(api: Any, replied: Any, settings: Any, tmp_path: Any) -> None:
    settings.MEDIA_ROOT = tmp_path
    job = letter(api, replied(), "es")
    jobs.make(job.pk)
    job.refresh_from_db()
    assert (job.state, job.problem) == ("done", "")
