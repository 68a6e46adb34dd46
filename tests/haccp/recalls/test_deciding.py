"""A recall or an exercise begins with a signed decision."""

from dataclasses import replace
from typing import Any

import pytest

from config.api.refusals import NotAllowed, Unusable
from haccp.recalls import deciding
from ledger.models import Person, Signature
from ledger.signatures import Proof
from tests.conftest import NOON
from tests.haccp.conftest import HOUR
from tests.haccp.recalls.conftest import LATER, LEVEL_A

pytestmark = pytest.mark.django_db


def test_a_recall_is_signed_and_opens_the_case_that_holds_its_lots(decide: Any):
    recall = decide()
    assert Signature.objects.filter(target_id=recall.pk, meaning="decided").exists()
    assert recall.deviation.what == "recall"


def test_an_exercise_has_no_case(decide: Any):
    assert decide(is_exercise=True).deviation is None


def test_recalls_and_exercises_count_apart(decide: Any):
    assert [decide().code, decide(is_exercise=True).code, decide().code] == ["RC-26-1", "TE-26-1", "RC-26-2"]


def test_only_a_lead_decides(act: Any, operator: Person):
    with pytest.raises(NotAllowed):
        deciding.decide(
            act=act(operator),
            proof=Proof(operator),
            hazard="other",
            because="x",
            determined_at=NOON,
            strategy=LEVEL_A,
        )


def test_what_is_determined_after_the_decision_is_refused(decide: Any):
    with pytest.raises(Unusable, match="after it was decided"):
        decide(determined_at=LATER + HOUR)


@pytest.mark.parametrize(("level", "percent"), [("B", None), ("B", 10), ("B", 100), ("A", 50)])
def test_only_level_b_has_a_share_of_its_own_over_10_and_under_100(decide: Any, level: str, percent: Any):
    """21 CFR 7.42(b)(3) (from memory)."""
    with pytest.raises(Unusable):
        decide(strategy=replace(LEVEL_A, level=level, percent=percent))
