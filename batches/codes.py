"""The codes people write on labels: running numbers, given out under the material lock."""

import re
from datetime import date

from django.db import models

from batches.identifiers import DEFAULT_PATTERN, LONGEST_LOT_CODE, lot_code_stem, render_lot_code
from batches.models import Batch, CodeCounter, Lot, Material
from config.api.refusals import Unusable
from ledger.models import Establishment

BATCH_PATTERN = "B-{short}-{yy}{ddd}-{n}"
CHOSEN_CODE = re.compile(rf"[A-Z0-9-]{{1,{LONGEST_LOT_CODE}}}")


def next_lot_code(*, establishment: Establishment, material: Material, day: date) -> str:
    """The next free lot code by the material's pattern, e.g. ``PIL-26045-3``. Raises Unusable.

    ``day``: the establishment's own date. Call it under ``lock_material``.
    """
    return _next(Lot, establishment, material.lot_code_pattern or DEFAULT_PATTERN, material.short_name, day)


def next_batch_code(*, establishment: Establishment, material: Material, day: date) -> str:
    """The next free batch code, e.g. ``B-PIL-26045-1``. Raises Unusable. Call it under ``lock_material``."""
    return _next(Batch, establishment, BATCH_PATTERN, material.short_name, day)


def _next(
    owner: type[models.Model], establishment: Establishment, pattern: str, short_name: str, day: date
) -> str:
    """Count on from the last number given out; pass over a code that somebody chose by hand."""
    stem, tail = lot_code_stem(pattern, short_name=short_name, made_on=day)
    prefix = f"{owner._meta.model_name}:{stem}{{n}}{tail}"
    counter, _ = CodeCounter.objects.get_or_create(establishment=establishment, prefix=prefix)
    taken = owner._default_manager.filter(establishment=establishment)
    while True:
        counter.last += 1
        code = render_lot_code(pattern, short_name=short_name, made_on=day, number=counter.last)
        if not taken.filter(code=code).exists():
            break
    counter.save(update_fields=["last"])
    return code


def checked(code: str) -> str:
    """A lot code that somebody chose by hand. Raises Unusable."""
    if not CHOSEN_CODE.fullmatch(code):
        raise Unusable(
            f"A lot code is 1 to {LONGEST_LOT_CODE} of A-Z, 0-9 and '-'.", code="lot-code", field="code"
        )
    return code
