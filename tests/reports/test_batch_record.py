"""How a batch record marks what was corrected: in the row of what stands now, struck and with the reason.

Corrections that keep the first entry legible: 21 CFR 117.305(c), read in a stored copy, asks for accurate, indelible and
legible records; that the old value stays beside the new one is common practice, no source.
"""

import re
from collections.abc import Callable
from typing import Any

import pytest

from batches import using
from batches.models import Batch, Lot
from reports import jobs, rendering
from tests.batches.conftest import *  # noqa: F403 - a batch to make a document of
from tests.reports.test_jobs import ask as ask
from tests.reports.test_jobs import planned_batch as planned_batch

pytestmark = pytest.mark.django_db


@pytest.fixture
def weigh_paste(act: Callable[..., Any], planned_batch: Batch, paste: Lot) -> Callable[..., Any]:
    def do(quantity: str, **said: Any) -> Any:
        return using.use(
            act=act(**said), lot=paste, batch=planned_batch, quantity=quantity, unit="KGM", recipe_line=1
        )

    return do


def row(ask: Callable[..., Any], **how: Any) -> str:
    """Of the paste in the weigh-up."""
    document, _shown = jobs.read(ask(**how))
    page = rendering.to_html(document, for_paper=True)
    rows = re.findall(r"<tr>.*?</tr>", page.split("Weigh-up against the recipe")[1], re.S)
    return rows[1]


def test_a_corrected_weighing_is_struck_in_its_own_row_with_the_new_one_beside_it_and_the_reason(
    ask: Callable[..., Any], weigh_paste: Callable[..., Any], paste: Lot
) -> None:
    slip = weigh_paste("5.97")
    weigh_paste("0.597", corrects=slip.pk, reason="The comma slipped.")
    told = row(ask)
    assert f'<s>5.97 kg {paste.code}</s> 0.597 kg <span class="mono">{paste.code}</span>' in told
    assert '<strong>corrected</strong>: <span dir="auto">The comma slipped.</span> (' in told


def test_what_was_corrected_twice_stands_in_order(
    ask: Callable[..., Any], weigh_paste: Callable[..., Any], paste: Lot
) -> None:
    first = weigh_paste("5.97")
    second = weigh_paste("59.7", corrects=first.pk, reason="The comma slipped.")
    weigh_paste("0.597", corrects=second.pk, reason="It slipped again.")
    assert f"<s>5.97 kg {paste.code}</s> <s>59.7 kg {paste.code}</s> 0.597 kg" in row(ask)


def test_what_was_weighed_right_is_not_marked(
    ask: Callable[..., Any], weigh_paste: Callable[..., Any]
) -> None:
    weigh_paste("0.597")
    assert "corrected" not in row(ask)


def test_for_outside_the_row_tells_that_it_was_corrected_and_no_amount(
    ask: Callable[..., Any], weigh_paste: Callable[..., Any]
) -> None:
    weigh_paste("0.597", corrects=weigh_paste("5.97").pk, reason="The comma slipped.")
    told = row(ask, outside=True)
    assert "<strong>corrected</strong>" in told
    assert "<s>" not in told
