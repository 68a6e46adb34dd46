"""What the batch record says of packing and of the labels its lots were released on."""

from collections.abc import Callable
from typing import Any

import pytest

from batches.models import Batch, Lot
from haccp.models import Deviation, LabelVersion, PackingCheck
from ledger.acts import Act
from reports import batch_record
from reports.rendering import to_html
from tests.conftest import NOON
from tests.haccp.labels.conftest import COUNTS

pytestmark = pytest.mark.django_db


@pytest.fixture
def read() -> Callable[[Batch], batch_record.BatchRecord]:
    def do(batch: Batch) -> batch_record.BatchRecord:
        here = batch.establishment
        head: dict[str, Any] = {"number": "000001", "title": "Batch record", "asked_by": "Ines Lead"}
        head |= {"establishment": here.name, "establishment_lines": (), "made_at": NOON, "seal": None}
        return batch_record.build(here, batch.uid, {}, **head)

    return do


def test_packing_checks_stand_in_it_and_corrected_ones_are_struck(
    batch: Batch,
    label_version: LabelVersion,
    see: Callable[..., PackingCheck],
    act: Callable[..., Act],
    read: Callable[[Batch], batch_record.BatchRecord],
) -> None:
    first = see(batch, label_version, counts=COUNTS | {"spoiled": "5"})
    second = see(batch, label_version, said_act=act(corrects=first.pk, reason="Counted again."))
    record = read(batch)
    assert [(line.record, line.result, line.replaced is None) for line in record.packing] == [
        (first.pk, "outside", False),
        (second.pk, "within", True),
    ]
    assert {first.pk, second.pk} <= set(record.record_ids)
    page = to_html(record, for_paper=True)
    assert f"{label_version.label.code}, version 1" in page
    assert "500 labels were issued; applied, spoiled and returned come to 499." in page


def test_its_case_and_the_approval_of_the_label_stand_in_it(
    batch: Batch,
    label_version: LabelVersion,
    see: Callable[..., PackingCheck],
    make_lot: Callable[..., Lot],
    read: Callable[[Batch], batch_record.BatchRecord],
) -> None:
    see(batch, label_version, counts={})
    record = read(batch)
    assert [case.record for case in record.cases] == [Deviation.objects.get().pk]
    assert "the label" in {signature.signed for signature in record.signatures}


def test_a_label_that_is_none_of_ours_is_named_as_it_was_seen(
    batch: Batch, see: Callable[..., PackingCheck], read: Callable[[Batch], batch_record.BatchRecord]
) -> None:
    see(batch, None, seen="Lemon drops of the neighbour")
    assert [line.label for line in read(batch).packing] == ["none of ours: Lemon drops of the neighbour"]
