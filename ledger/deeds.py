"""One deed, one transaction, and the same answer when it is asked for again."""

from collections.abc import Callable
from functools import wraps
from typing import Any, ParamSpec, TypeVar, cast

from django.db import transaction

from ledger.models import AlreadyRecorded

P = ParamSpec("P")
R = TypeVar("R")


def deed(function: Callable[P, R]) -> Callable[P, R]:
    """Run a domain function in one transaction; a repeat undoes it and answers what is stored.

    The answer to a repeat is the stored record, marked ``repeated``. Whatever the function wrote before it
    noticed is rolled back, so a deed may write in any order.
    """

    @wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            with transaction.atomic():
                return function(*args, **kwargs)
        except AlreadyRecorded as known:
            return cast(Any, known.record)

    return run
