"""The reply to whoever sent a notice: figures as of a time, as data, as a table and as a letter."""

import csv
import hashlib
import io
import json
from collections.abc import Callable
from typing import Any

import pytest
from django.utils import timezone

from batches import shipping, storing
from batches.models import Batch, Lot, TradingPartner
from config.api.refusals import RuleBroken, Unusable
from haccp.models import NoticeReply
from haccp.recalls import replying
from ledger.ids import uuid7
from tests.conftest import NOON
from tests.haccp.conftest import HOUR
from tests.haccp.recalls.conftest import LATER

pytestmark = pytest.mark.django_db


@pytest.fixture
def notice(
    take_in: Any,
    receive: Any,
    accept: Any,
    batch: Batch,
    use: Any,
    make_lot: Any,
    shop: TradingPartner,
    ship: Any,
    act: Any,
) -> Any:
    """Of twenty kilograms two went into two of sweets; half a kilogram of these was sold, 0.1 came back."""
    seventh = accept(receive(supplier_code="HN-7"))
    use(seventh, batch)
    sweets = make_lot(batch, quantity="2")
    ship(sweets, shop, "0.5")
    shipping.take_back(act=act(at=NOON), lot=sweets, customer=shop, quantity="0.1", unit="KGM")
    storing.destroy(act=act(at=NOON), lot=seventh, quantity="3", unit="KGM")
    return take_in()


@pytest.fixture
def reply(act: Any, notice: Any) -> Callable[..., NoticeReply]:
    def do(**values: Any) -> NoticeReply:
        usual = {"means": "letter", "figures_at": None}
        said = act(**{"at": timezone.now().astimezone(NOON.tzinfo), **values.pop("said", {})})
        return replying.reply(act=said, notice=notice, **(usual | values))

    return do


def test_it_tells_what_is_on_hand_was_used_shipped_came_back_and_was_destroyed(reply: Any):
    named, made = reply().figures["lots"]
    assert [named[each] for each in ("received", "used", "destroyed", "on_hand")] == [
        "20.000",
        "2.000",
        "3.000",
        "15.000",
    ]
    assert [made[each] for each in ("made", "shipped", "returned", "on_hand")] == [
        "2.000",
        "0.500",
        "0.100",
        "1.600",
    ]


def test_each_lot_adds_up_to_what_is_on_hand(reply: Any):
    """On hand is what came less what went: arithmetic, no source."""
    for row in reply().figures["lots"]:
        came = sum(float(row[name]) for name in ("received", "made", "returned", "unexplained"))
        went = sum(float(row[name]) for name in ("used", "shipped", "sent_back", "sampled", "destroyed"))
        assert came - went == pytest.approx(float(row["on_hand"]))


def test_who_got_some_is_in_it_only_where_a_person_puts_it_in(reply: Any):
    assert reply().figures["consignees"] == []
    (got,) = reply(with_consignees=True).figures["consignees"]
    assert got["name"] == "Corner shop"


def test_asked_of_a_time_it_tells_what_was_recorded_by_then(reply: Any, notice: Any, use: Any, batch: Batch):
    before = reply()
    use(Lot.objects.get(uid=notice.found[0]["lot"]), batch)
    assert replying.figures(notice, before.figures_at) == before.figures
    assert replying.figures(notice)["lots"][0]["used"] == "4.000"


def test_a_reply_that_is_entered_late_tells_what_is_known_now_and_sent_again_is_the_same(reply: Any):
    same = {"said": {"at": LATER, "id": uuid7()}}
    made = reply(**same)
    assert len(made.figures["lots"]) == 2
    assert reply(**same).repeated


def test_its_digest_is_of_the_canonical_json_of_the_figures(reply: Any):
    """RFC 8785, section 3.2 (read): of ASCII text sorted by key and without spaces, json.dumps writes the same."""
    made = reply()
    plain = json.dumps(made.figures, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert made.figures_digest == hashlib.sha256(plain.encode()).hexdigest()


def test_what_is_received_later_and_meant_is_in_the_next_reply(reply: Any, receive: Any):
    late = receive(supplier_code="HN-7")
    assert late.code in {row["code"] for row in reply().figures["lots"]}


def test_a_reply_is_not_public_not_of_the_future_and_not_corrected(reply: Any):
    with pytest.raises(Unusable, match="whoever sent"):
        reply(means="public")
    with pytest.raises(Unusable, match="not come yet"):
        reply(figures_at=timezone.now() + HOUR)
    with pytest.raises(RuleBroken, match="reply anew"):
        reply(said={"corrects": reply().pk, "reason": "A slip."})


def test_as_a_table_it_has_a_line_a_lot_and_no_formula(reply: Any, notice: Any):
    figures = replying.figures(notice)
    figures["lots"][0] |= {"supplier_code": "=1+1", "supplier": "-1+cmd", "unexplained": "-0.500"}
    rows = list(csv.DictReader(io.StringIO("".join(replying.as_csv(figures)))))
    assert [row["start"] for row in rows] == ["yes", "no"]
    assert (rows[0]["supplier_code"], rows[0]["supplier"]) == ("'=1+1", "'-1+cmd")
    assert rows[0]["unexplained"] == "-0.500"
    assert rows[0]["used_in"].startswith("2.000 in ")


def test_of_nothing_found_the_figures_are_empty(take_in: Any):
    assert replying.figures(take_in(codes=["none"])) == {"lots": [], "consignees": []}


# -- over the API -------------------------------------------------------------------------------------------


def test_over_the_api_figures_and_table_and_reply_say_the_same(api: Any, notice: Any):
    where = f"notices-arrived/{notice.pk}"
    told = api.ask(f"{where}/figures").json()
    table = api.ask(f"{where}/figures.csv").content.decode()
    sent = api.send(f"{where}/replies", {"performed_at": LATER.isoformat(), "means": "e-mail"})
    assert sent.status_code == 201, sent.json()
    assert len(table.splitlines()) == 1 + len(told["lots"])
    assert told["consignees"] == []


def test_a_list_tells_which_still_wait_for_a_reply(api: Any, notice: Any, reply: Any):
    def waiting() -> list[str]:
        return [each["id"] for each in api.ask("notices-arrived", replied="false").json()["results"]]

    assert waiting() == [str(notice.pk)]
    reply()
    assert waiting() == []


def test_a_list_costs_the_same_for_one_notice_as_for_five(api: Any, notice: Any, take_in: Any):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def cost() -> int:
        with CaptureQueriesContext(connection) as asked:
            assert api.ask("notices-arrived").status_code == 200
        return len(asked)

    cost()
    alone = cost()
    for _ in range(4):
        take_in()
    assert cost() == alone
