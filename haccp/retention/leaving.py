"""Records leave: only what lies in a recorded archive whose file is shown again, signed for, in pieces that each stand alone.

Each piece is one transaction under the material lock: the records of removal, the rows, and what is computed from them. What a
crash cuts off is the rest, which goes on when the same file is shown again.
"""

from collections.abc import Collection, Iterator, Set
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from uuid import UUID

from django.db import transaction
from django.utils import timezone, translation

from batches import departing
from batches.locks import lock_material
from config.api.refusals import Reason, RuleBroken, Unusable
from haccp import verifications
from haccp.models import Archive, InstrumentVerification
from haccp.retention import archiving, keeping
from haccp.retention import web as webs
from haccp.retention.keeping import Standing
from haccp.retention.scratch import ROWS_AT_ONCE
from ledger import people, removals, signatures
from ledger.acts import Act
from ledger.models import Entry, Establishment, Record, Removal, Role
from ledger.signatures import Proof

MOST_A_PIECE = 500  # a site setting, no source: long enough to be quick, short enough that others wait little
MOST_NAMED = 20
NOTHING = "Nothing was removed."


@dataclass
class Left:
    """``records`` left in ``pieces`` now; ``before``: left by an earlier run of the same archive."""

    records: int = 0
    pieces: int = 0
    before: int = 0


def remove(*, act: Act, proof: Proof, file: Path, today: date) -> Left:
    """Remove what an archive holds. ``today``: the day it is, as whoever signs says; it must be the machine's.

    Raises NotAllowed, Unusable for another day, RuleBroken ``not-archived`` for a file that is not as it was recorded here,
    and ``still-kept`` with every reason where one of its records may not leave today: archive anew without it.
    """
    _refuse_other_day(act.establishment, today)
    people.refuse_unless(act, {Role.FOOD_SAFETY_LEAD}, "removes what was archived")
    archived = _recorded(act.establishment, file)
    keys = archiving.read(file).digests.keys()
    _sign(act, proof, archived, keys)
    left = Left(before=_gone(act.establishment, keys))
    run = _Run(act, archived, keys)
    while some := run.next_piece():
        left.records, left.pieces = left.records + some, left.pieces + 1
    return left


def _refuse_other_day(here: Establishment, said: date) -> None:
    """A machine whose clock is ahead would remove what is still to be kept."""
    day = timezone.now().astimezone(here.zone).date()
    if said != day:
        raise Unusable(
            f"This machine's clock says {day.isoformat()}, and you say {said.isoformat()}: set it right first. {NOTHING}",
            field="today",
        )


def _recorded(here: Establishment, file: Path) -> Archive:
    try:
        digest = archiving.digest_of(file)
    except OSError as error:
        raise Unusable(f"{file} cannot be read: {error.strerror}. {NOTHING}", field="file") from error
    found: Archive | None = Archive.objects.of(here).standing().filter(sha256=digest).first()
    if found is not None:
        return found
    same = Archive.objects.of(here).filter(file_name=file.name).first()
    known = (
        ""
        if same is None
        else f" The archive recorded under this name has {same.sha256}: the file was changed."
    )
    raise RuleBroken(
        f"No archive with SHA-256 {digest} is recorded here, so {file.name} is none of this house's.{known} {NOTHING}",
        code="not-archived",
        field="file",
    )


@transaction.atomic
def _sign(act: Act, proof: Proof, archived: Archive, keys: Set[UUID]) -> None:
    """Once all is found free to leave; the database keeps who let it go."""
    lock_material(act.establishment)
    _refuse_kept(keeping.standing(act.establishment, _day(act), besides=keys), keys)
    entry = Entry.objects.get(pk=archived.pk)
    signatures.sign(act=act.with_new_id(), proof=proof, target=entry, meaning="decided")


def _day(act: Act) -> date:
    return timezone.now().astimezone(act.establishment.zone).date()


def _refuse_kept(found: Standing, keys: Set[UUID]) -> None:
    kept, named = 0, list[UUID]()
    for pk in keys:
        if pk in found.stays:
            kept += 1
            named += [pk] if len(named) < MOST_NAMED else []
    if not kept:
        return
    raise RuleBroken(
        f"{kept} of the archived records may not leave today. {NOTHING} Archive anew: what stays is left out.",
        code="still-kept",
        reasons=list(_reasons(found, named)),
    )


def _reasons(found: Standing, named: list[UUID]) -> Iterator[Reason]:
    for pk in named:
        said = f"{found.kind(pk).kind} {pk} stays: {keeping.told(found.stays[pk])}."
        yield Reason("still-kept", said, "file")


def _gone(here: Establishment, keys: Set[UUID]) -> int:
    removed = Removal.objects.of(here).order_by().values_list("removed_id", flat=True)
    return sum(pk in keys for pk in removed.iterator(chunk_size=ROWS_AT_ONCE))


@dataclass
class _Run:
    """``plan``: in which order all leaves, as computed when ``seen`` records were written down; after others it is made anew."""

    act: Act
    archived: Archive
    keys: Set[UUID]
    seen: int = -1
    found: Standing | None = None
    plan: Iterator[list[UUID]] = field(default_factory=lambda: iter(()))

    def next_piece(self) -> int:
        """The next records that may leave together, and what was computed from them; how many left."""
        with transaction.atomic():
            lock_material(self.act.establishment)
            found, some = self._planned(), list[UUID]()
            while len(some) < MOST_A_PIECE and (part := next(self.plan, [])):
                some += part
            if some:
                rules = {pk: _rule(found, pk, self.archived) for pk in some}
                kinds = {pk: found.kind(pk) for pk in some}
                _forget_states(found, some)
                removals.remove_together(act=self.act, records=kinds, rules=rules)
                _compute_anew(found, kinds.values())
        self.seen += len(some)
        return len(some)

    def _planned(self) -> Standing:
        written = Entry.objects.filter(establishment=self.act.establishment).count()
        if self.found is None or written != self.seen:
            self.found = keeping.standing(self.act.establishment, _day(self.act), besides=self.keys)
            _refuse_kept(self.found, self.keys)
            self.plan, self.seen = self.found.in_order(), written
        return self.found


def _forget_states(found: Standing, some: Collection[UUID]) -> None:
    counted = {
        pk for pk in some if issubclass(found.kind(pk), (*webs.COUNTED_IN_LOT, *webs.COUNTED_IN_BATCH))
    }
    counting = {node for pk in counted for node in found.web.keeps[pk] if not isinstance(node, UUID)}
    for_lots = [key for name, key in counting if name == "lot"]
    departing.forget(lots=for_lots, batches=[key for name, key in counting if name == "batch"])


def _compute_anew(found: Standing, kinds: Collection[type[Record]]) -> None:
    if InstrumentVerification in kinds:
        verifications.rebuild(found.here)


def _rule(found: Standing, pk: UUID, archived: Archive) -> str:
    """In English, as records are kept."""
    kept = found.own[pk]
    with translation.override("en"):
        ended = keeping.told(keeping.Stay(kept.until, kept.rule))
    return f"{ended}; in archive {archived.pk}"
