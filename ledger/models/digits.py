"""Numbers kept as text, such as GS1 keys."""

from typing import Any

from django.db.models import CharField, F, Func, Q, Value
from django.db.models.functions import Length
from django.db.models.lookups import Exact


def digits_or_empty(field: str, length: int) -> Q:
    """For a CHECK: empty, or exactly so many of 0-9. The check digit is looked at before (``ledger.gs1_keys``)."""
    beyond: Any = Func(F(field), Value("0123456789"), function="LTRIM", output_field=CharField())
    return Q(**{field: ""}) | (Q(Exact(Length(field), length)) & Q(Exact(beyond, Value(""))))
