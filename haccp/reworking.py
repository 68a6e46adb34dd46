"""Rework against the rules of the recipe: a deviation with hold where a later fact or the whole batch breaks one.

What a use breaks by itself is flagged on its movement and opens a case as any material out of order does. Here is what
no single use tells: the share of all rework in the batch, and what facts that came later make of earlier uses.
"""

from collections.abc import Iterable

from batches import rework
from batches.flags import SENTENCES, Flag
from batches.models import Batch, Movement
from batches.rework_rules import Rules, Share
from haccp import deviations
from haccp.deviations import Touched
from haccp.models import Deviation, HoldSubject
from ledger.acts import Act
from ledger.models import Record

SHARE = "rework-share"
"""How the slot of a case about a batch's share begins; the share in per mille follows."""


def follow(*, act: Act, movement: Movement) -> None:
    """Look again at every use of rework that a movement may have put in another light. Under the material lock."""
    found = rework.touched_by(movement)
    for use in found:
        _follow_use(act, use, movement)
    for batch in {use.batch_id: use.batch for use in found if use.lot.is_rework}.values():
        assert batch is not None
        follow_share(act=act, batch=batch, because=movement)


def _follow_use(act: Act, use: Movement, because: Movement) -> None:
    """What is broken now and was not when the use was recorded; that has its case by its flags."""
    for flag in rework.of_use(use):
        if flag not in use.flags:
            assert use.batch is not None
            about = f"Lot {use.lot.code} used in batch {use.batch.code}, by what is known now"
            title = f"{about}: {SENTENCES[flag]}"
            _open(act, use, because, flag, title)


def _open(act: Act, use: Movement, because: Record, flag: Flag, title: str) -> None:
    assert use.batch is not None
    deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.MATERIAL,
        subject=use.pk,
        slot=flag.value,
        title=title,
        because=because,
        hold=Touched(HoldSubject.BATCH, use.batch.uid),
    )


def follow_share(*, act: Act, batch: Batch, because: Record) -> None:
    """Open a case where the batch has more rework than its recipe allows, or where nobody can say.

    One that is open goes on; after one was closed only a share larger than it was about is a new fact.
    """
    rules = rework.rules_of(batch.recipe_version)
    if rules is None or not rework.uses(batch):
        return
    share = rework.share_of(batch)
    if share.breaks(rules) is None or _is_known(batch, share):
        return
    deviations.open_case(
        act=act.with_new_id(),
        what=Deviation.What.MATERIAL,
        subject=batch.uid,
        slot=f"{SHARE} {'unknown' if share.permille is None else share.permille}",
        title=_title(batch, rules, share),
        because=because,
        hold=Touched(HoldSubject.BATCH, batch.uid),
    )


def _title(batch: Batch, rules: Rules, share: Share) -> str:
    if share.permille is None:
        return f"Batch {batch.code}: {SENTENCES[Flag.REWORK_SHARE_UNKNOWN]}"
    return f"Batch {batch.code}: {share.permille} of 1000 parts of it are rework; the recipe allows {rules.permille}."


def _is_known(batch: Batch, share: Share) -> bool:
    cases = Deviation.objects.filter(
        what=Deviation.What.MATERIAL, subject=batch.uid, slot__startswith=f"{SHARE} "
    )
    if cases.filter(closing__isnull=True).exists():
        return True
    return share.permille is not None and share.permille <= max(_told(cases), default=-1)


def _told(cases: Iterable[Deviation]) -> Iterable[int]:
    said = (case.slot.removeprefix(f"{SHARE} ") for case in cases)
    return (int(each) for each in said if each.isdigit())
