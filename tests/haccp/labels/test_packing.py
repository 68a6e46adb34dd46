"""Packing: what was on the roll is kept; what is not in order opens a case and holds what was packed."""

from collections.abc import Callable
from typing import Any

import pytest

from batches.models import Batch, Lot, LotStatus, Material
from config.api.refusals import OtherContent, RuleBroken, Unknown, Unusable
from haccp import deviations, reviews
from haccp.labels import packing
from haccp.models import Deviation, Label, LabelVersion, Packed, PackingCheck
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Establishment, Person
from tests.conftest import NOON, Client
from tests.haccp.conftest import HOUR, MINUTE, MORNING
from tests.haccp.labels.conftest import COUNTS

pytestmark = pytest.mark.django_db
See = Callable[..., PackingCheck]


def found(check: PackingCheck) -> list[str]:
    return [each["code"] for each in check.findings]


def status(lot: Lot) -> str:
    lot.state.refresh_from_db()
    return lot.state.status


@pytest.fixture
def drops_version(
    make_label: Callable[..., Label], approve: Callable[..., LabelVersion], products: dict[str, Material]
) -> LabelVersion:
    """The label of another product."""
    return approve(make_label(material=products["LMD"]))


# -- what is in order ---------------------------------------------------------------------------------


def test_the_right_label_with_all_accounted_for_is_good(
    batch: Batch, label_version: LabelVersion, see: See
) -> None:
    check = see(batch, label_version)
    assert (check.result, check.findings) == (Packed.GOOD, [])
    assert not Deviation.objects.exists()


def test_at_the_start_nothing_is_counted_yet(batch: Batch, label_version: LabelVersion, see: See) -> None:
    assert see(batch, label_version, moment="start", counts={}).result == Packed.GOOD
    assert see(batch, label_version, moment="start", counts={"issued": "500"}).result == Packed.GOOD


def test_sent_again_it_is_the_same_check(
    batch: Batch, label_version: LabelVersion, see: See, act: Callable[..., Act]
) -> None:
    said = act(id=uuid7())
    first, again = (see(batch, label_version, said_act=said) for _ in range(2))
    assert (again.pk, again.repeated, PackingCheck.objects.count()) == (first.pk, True, 1)
    with pytest.raises(OtherContent):
        see(batch, label_version, said_act=said, counts=COUNTS | {"spoiled": "7"})


# -- what is not --------------------------------------------------------------------------------------


def test_a_label_of_another_product_opens_a_case_and_holds(
    batch: Batch, drops_version: LabelVersion, see: See, make_lot: Callable[..., Lot]
) -> None:
    lot = make_lot(batch)
    check = see(batch, drops_version)
    case = Deviation.objects.get()
    assert (found(check), case.what, case.subject) == (["other-product"], "label", check.pk)
    assert "is not of Salted butter caramels" in case.title
    assert status(lot) == LotStatus.HELD


def test_a_superseded_label_opens_a_case(
    batch: Batch, label_version: LabelVersion, revise: Callable[..., LabelVersion], see: See
) -> None:
    revise(label_version, at=NOON - HOUR, contains=["milk", "soybean"])
    assert found(see(batch, label_version, at=NOON)) == ["superseded"]
    assert Deviation.objects.count() == 1


def test_before_the_newer_one_was_approved_the_older_is_right(
    batch: Batch, label_version: LabelVersion, revise: Callable[..., LabelVersion], see: See
) -> None:
    newer = revise(label_version, at=NOON, contains=["milk", "soybean"])
    assert found(see(batch, label_version, at=NOON - HOUR)) == []
    assert found(see(batch, newer, at=NOON - HOUR)) == ["not-approved-yet"]


def test_a_label_put_away_is_wrong(
    batch: Batch, label_version: LabelVersion, see: See, act: Callable[..., Act], lead: Person
) -> None:
    from haccp.labels import versions

    versions.redraft(act=act(lead), label=label_version.label, values={"in_use": False})
    label_version.refresh_from_db()
    assert found(see(batch, LabelVersion.objects.get(pk=label_version.pk))) == ["not-in-use"]


def test_a_label_that_is_none_of_ours_is_kept_as_seen(batch: Batch, see: See) -> None:
    check = see(batch, None, seen="A roll of the neighbour's")
    assert (found(check), check.seen) == (["unknown-label"], "A roll of the neighbour's")
    assert Deviation.objects.get().what == "label"


@pytest.mark.parametrize(
    ("counts", "code"),
    [
        (COUNTS | {"applied": "411"}, "counts-differ"),
        (COUNTS | {"applied": "413"}, "counts-differ"),
        ({"issued": "500", "applied": "500"}, "counts-missing"),
        ({}, "counts-missing"),
    ],
)
@pytest.mark.parametrize("moment", ["roll-change", "end"])
def test_labels_not_accounted_for_open_a_case(
    counts: dict[str, str], code: str, moment: str, batch: Batch, label_version: LabelVersion, see: See
) -> None:
    assert found(see(batch, label_version, moment=moment, counts=counts)) == [code]
    assert Deviation.objects.count() == 1


def test_labels_issued_at_the_start_are_those_counted_at_the_end(
    batch: Batch, label_version: LabelVersion, see: See
) -> None:
    see(batch, label_version, at=NOON - HOUR, moment="start", counts={"issued": "520"})
    assert found(see(batch, label_version)) == ["issued-differs"]


def test_after_a_roll_change_the_start_no_longer_tells_what_was_issued(
    batch: Batch, label_version: LabelVersion, see: See
) -> None:
    start = {"moment": "start", "counts": {"issued": "500"}}
    see(batch, label_version, at=NOON - 2 * HOUR, **start)
    see(batch, label_version, at=NOON - HOUR, moment="roll-change")
    counts = {"issued": "300", "applied": "300", "spoiled": "0", "returned": "0"}
    assert found(see(batch, label_version, counts=counts)) == []


# -- what is held -------------------------------------------------------------------------------------


def test_what_was_packed_before_the_last_good_check_is_not_held(
    batch: Batch,
    label_version: LabelVersion,
    drops_version: LabelVersion,
    see: See,
    make_lot: Callable[..., Lot],
) -> None:
    """Where that was an end. The last lot before it is: packing may have gone on after it was made."""
    lots = [make_lot(batch, at=MORNING + minutes * MINUTE) for minutes in (10, 20, 40)]
    see(batch, label_version, at=MORNING + 30 * MINUTE)
    see(batch, drops_version, at=MORNING + 50 * MINUTE)
    assert [status(lot) for lot in lots] == [LotStatus.AWAITING, LotStatus.HELD, LotStatus.HELD]


@pytest.mark.parametrize("moment", ["start", "roll-change"])
def test_what_was_made_before_packing_went_on_is_held(
    moment: str,
    batch: Batch,
    label_version: LabelVersion,
    drops_version: LabelVersion,
    see: See,
    make_lot: Callable[..., Lot],
) -> None:
    """It may all have been packed after the good look at the roll."""
    lots = [make_lot(batch, at=MORNING + minutes * MINUTE) for minutes in (10, 20, 30)]
    see(batch, label_version, at=MORNING + 40 * MINUTE, moment=moment)
    see(batch, drops_version, at=MORNING + 50 * MINUTE)
    assert [status(lot) for lot in lots] == [LotStatus.HELD] * 3


def test_only_a_good_end_closes_what_was_packed_before(
    batch: Batch,
    label_version: LabelVersion,
    drops_version: LabelVersion,
    see: See,
    make_lot: Callable[..., Lot],
) -> None:
    """The good end of an earlier packing counts, also where packing began well again since."""
    lots = [make_lot(batch, at=MORNING + minutes * MINUTE) for minutes in (10, 20, 40, 45)]
    see(batch, label_version, at=MORNING + 30 * MINUTE)
    see(batch, label_version, at=MORNING + 50 * MINUTE, moment="start", counts={})
    see(batch, drops_version, at=MORNING + 60 * MINUTE)
    assert [status(lot) for lot in lots] == [LotStatus.AWAITING] + [LotStatus.HELD] * 3


def test_an_end_with_labels_missing_closes_nothing(
    batch: Batch, label_version: LabelVersion, see: See, make_lot: Callable[..., Lot]
) -> None:
    lots = [make_lot(batch, at=MORNING + minutes * MINUTE) for minutes in (10, 20)]
    see(batch, label_version, at=MORNING + 5 * MINUTE, moment="start", counts={})
    see(batch, label_version, at=MORNING + 30 * MINUTE, counts=COUNTS | {"applied": "400"})
    see(batch, label_version, at=MORNING + 40 * MINUTE, moment="start", counts={})
    see(batch, label_version, at=MORNING + 50 * MINUTE, counts=COUNTS | {"applied": "400"})
    case = Deviation.objects.latest("recorded_at")
    assert set(case.holds.get().lots) == {str(lot.uid) for lot in lots}


def test_what_comes_later_from_the_batch_is_held_while_the_case_is_open(
    batch: Batch, drops_version: LabelVersion, see: See, make_lot: Callable[..., Lot]
) -> None:
    see(batch, drops_version, at=NOON - 2 * HOUR)
    assert status(make_lot(batch)) == LotStatus.HELD


def test_where_the_lot_is_named_that_lot_is_held(
    batch: Batch, drops_version: LabelVersion, see: See, make_lot: Callable[..., Lot]
) -> None:
    one, other = make_lot(batch, at=MORNING + HOUR), make_lot(batch, at=MORNING + 2 * HOUR)
    see(batch, drops_version, lot=one)
    assert (status(one), status(other)) == (LotStatus.HELD, LotStatus.AWAITING)


def test_a_packing_check_and_its_correction_each_await_a_review(
    batch: Batch, label_version: LabelVersion, see: See, act: Callable[..., Act], establishment: Establishment
) -> None:
    first = see(batch, label_version)
    assert [entry.pk for entry in reviews.awaiting(establishment, batch)] == [first.pk]
    second = see(batch, label_version, said_act=act(corrects=first.pk, reason="Misread."))
    (awaited,) = reviews.awaited(reviews.awaiting(establishment, batch))
    assert (awaited.record.pk, awaited.about) == (second.pk, f"packing of batch {batch.code}, end: good")


# -- corrections (D7) ---------------------------------------------------------------------------------


def test_a_correction_from_good_to_bad_opens_a_case(
    batch: Batch, label_version: LabelVersion, see: See, act: Callable[..., Act]
) -> None:
    first = see(batch, label_version)
    said = act(corrects=first.pk, reason="Counted again.")
    assert found(see(batch, label_version, said_act=said, counts=COUNTS | {"spoiled": "5"})) == [
        "counts-differ"
    ]
    assert Deviation.objects.count() == 1


def test_a_correction_from_bad_to_good_leaves_the_case_and_what_is_held(
    batch: Batch,
    label_version: LabelVersion,
    see: See,
    act: Callable[..., Act],
    make_lot: Callable[..., Lot],
) -> None:
    lot = make_lot(batch)
    first = see(batch, label_version, counts=COUNTS | {"spoiled": "5"})
    said = act(corrects=first.pk, reason="Counted again.")
    assert see(batch, label_version, said_act=said).result == Packed.GOOD
    assert not deviations.is_closed(Deviation.objects.get())
    assert status(lot) == LotStatus.HELD


def test_a_correction_from_bad_to_bad_goes_on_under_the_same_case(
    batch: Batch, label_version: LabelVersion, drops_version: LabelVersion, see: See, act: Callable[..., Act]
) -> None:
    first = see(batch, label_version, counts=COUNTS | {"spoiled": "5"})
    see(batch, drops_version, said_act=act(corrects=first.pk, reason="Looked again."))
    assert Deviation.objects.get().holds.count() == 2


def test_a_withdrawn_check_says_no_label_and_keeps_its_case(
    batch: Batch, drops_version: LabelVersion, see: See, act: Callable[..., Act], make_lot: Callable[..., Lot]
) -> None:
    lot, check = make_lot(batch), see(batch, drops_version)
    packing.withdraw(act=act(corrects=check.pk, reason="Another batch."))
    assert packing.used_on(lot) == []
    assert Deviation.objects.count() == 1


def test_a_check_of_another_batch_is_not_corrected_into_this_one(
    batch: Batch, begin: Callable[..., Batch], label_version: LabelVersion, see: See, act: Callable[..., Act]
) -> None:
    first, other = see(batch, label_version), begin(at=MORNING + MINUTE)
    with pytest.raises(RuleBroken) as caught:
        see(other, label_version, said_act=act(corrects=first.pk, reason="x"))
    assert caught.value.code == "corrects-another"


# -- which label was used -----------------------------------------------------------------------------


def test_the_labels_used_on_a_lot_are_those_seen_for_it_or_for_its_batch(
    batch: Batch,
    label_version: LabelVersion,
    revise: Callable[..., LabelVersion],
    see: See,
    make_lot: Callable[..., Lot],
) -> None:
    one, other = make_lot(batch), make_lot(batch, at=NOON)
    see(batch, label_version, at=NOON - 2 * HOUR)
    newer = revise(label_version, at=NOON - HOUR, contains=["milk", "soybean"])
    see(batch, newer, lot=other)
    assert packing.used_on(one) == [label_version]
    assert packing.used_on(other) == [label_version, newer]


def test_of_many_lots_it_is_asked_in_as_few_statements_as_of_one(
    batch: Batch,
    label_version: LabelVersion,
    see: See,
    make_lot: Callable[..., Lot],
    django_assert_num_queries: Any,
) -> None:
    lots = [make_lot(batch, at=MORNING + minutes * MINUTE) for minutes in range(5)]
    for lot in lots:
        see(batch, label_version, lot=lot)
    for some in (lots[:1], lots):
        with django_assert_num_queries(1):
            assert all(packing.seen_on_many(some).values())


def test_a_wrong_label_counts_until_its_case_is_closed_and_the_lot_is_seen_again(
    batch: Batch,
    label_version: LabelVersion,
    drops_version: LabelVersion,
    see: See,
    make_lot: Callable[..., Lot],
    settle: Callable[..., None],
) -> None:
    lot = make_lot(batch)
    see(batch, drops_version, lot=lot)
    settle(Deviation.objects.get())
    assert packing.used_on(lot) == [drops_version]
    see(batch, label_version, lot=lot, at=NOON + HOUR)
    assert packing.used_on(lot) == [label_version]


def test_a_lot_is_not_said_to_be_packed_by_a_batch_that_did_not_make_it(
    batch: Batch,
    begin: Callable[..., Batch],
    label_version: LabelVersion,
    see: See,
    make_lot: Callable[..., Lot],
) -> None:
    lot = make_lot(begin(at=MORNING + MINUTE))
    with pytest.raises(RuleBroken) as caught:
        see(batch, label_version, lot=lot)
    assert caught.value.code == "lot-of-another-batch"


# -- what cannot be kept ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"counts": {"issued": "-1"}}, "counts.issued"),
        ({"counts": {"applied": "1.5"}}, "counts.applied"),
        ({"counts": {"spoiled": ""}}, "counts.spoiled"),
        ({"counts": {"returned": 3}}, "counts.returned"),
        ({"counts": {"lost": "3"}}, "counts.lost"),
        ({"counts": {"issued": "9" * 10}}, "counts.issued"),
        ({"moment": "lunch"}, "moment"),
    ],
)
def test_what_cannot_be_read_is_refused(
    values: dict[str, Any], field: str, batch: Batch, label_version: LabelVersion, see: See
) -> None:
    with pytest.raises(Unusable) as caught:
        see(batch, label_version, **values)
    assert caught.value.reasons[0].field == field
    assert not PackingCheck.objects.exists()


def test_a_check_that_says_nothing_of_a_label_is_refused(batch: Batch, see: See) -> None:
    with pytest.raises(Unusable):
        see(batch, None, seen="  ")


def test_a_label_of_another_establishment_is_not_there(
    batch: Batch, label_version: LabelVersion, see: See, elsewhere: Establishment
) -> None:
    label_version.establishment = elsewhere
    with pytest.raises(Unknown):
        see(batch, label_version)


# -- over HTTP ----------------------------------------------------------------------------------------


def body(batch: Batch, version: LabelVersion | None, /, **values: Any) -> dict[str, Any]:
    usual = {"performed_at": NOON.isoformat(), "batch": str(batch.uid), "moment": "end", "counts": COUNTS}
    return usual | ({"label_version": str(version.pk)} if version else {}) | values


def test_who_packs_is_answered_with_the_result(
    api: Client, batch: Batch, label_version: LabelVersion
) -> None:
    answer = api.send("packing-checks", body(batch, label_version))
    assert (answer.status_code, answer.json()["result"]) == (201, "good")
    assert api.ask(f"packing-checks/{answer.json()['id']}").json() == answer.json()
    assert api.ask("packing-checks", batch=str(batch.uid)).json()["results"] == [answer.json()]


def test_what_is_not_in_order_is_kept_and_told(
    api: Client, batch: Batch, label_version: LabelVersion
) -> None:
    answer = api.send("packing-checks", body(batch, label_version, counts=COUNTS | {"spoiled": "7"}))
    said = answer.json()
    assert (answer.status_code, said["result"], said["findings"][0]["code"]) == (201, "bad", "counts-differ")
    assert said["sentences"][-1].startswith("Stop packing.")


def test_a_check_is_withdrawn_with_a_reason(api: Client, batch: Batch, label_version: LabelVersion) -> None:
    made = api.send("packing-checks", body(batch, label_version)).json()
    said = {"performed_at": NOON.isoformat(), "corrects": made["id"], "reason": "Another batch."}
    answer = api.send("packing-checks/withdrawn", said)
    assert (answer.status_code, answer.json()["withdrawn"]) == (201, True)


@pytest.mark.parametrize(
    ("values", "status_code"),
    [
        ({"counts": {"issued": "-1"}}, 400),
        ({"counts": {"lost": "1"}}, 400),
        ({"counts": []}, 400),
        ({"moment": "lunch"}, 400),
        ({"label_version": None}, 400),
        ({"label_version": str(uuid7())}, 404),
        ({"batch": str(uuid7())}, 404),
        ({"result": "good"}, 400),
    ],
)
def test_bad_input_is_refused_and_nothing_is_written(
    values: dict[str, Any], status_code: int, api: Client, batch: Batch, label_version: LabelVersion
) -> None:
    answer = api.send("packing-checks", body(batch, label_version, **values))
    assert answer.status_code == status_code, answer.json()
    assert not PackingCheck.objects.exists()


def test_a_lot_is_told_what_names_it_and_what_is_of_its_whole_batch_in_their_order():
    rows = [
        PackingCheck(batch_id=batch, lot_id=lot)
        for batch, lot in [(1, 7), (1, None), (1, 8), (2, None), (1, 7)]
    ]
    checks = packing._Checks(rows)
    found = [
        [rows.index(each) for each in checks.about(Lot(pk=pk, batch_id=batch))]
        for pk, batch in [(7, 1), (9, 2), (9, None)]
    ]
    assert found == [[0, 1, 4], [3], []]
