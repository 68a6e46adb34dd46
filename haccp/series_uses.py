"""Which checks were judged by which series: a projection of their readings, and what follows where a series is gone.

A check keeps its result when the series it was judged by is corrected or withdrawn; but it answers no due check and is
no last good check any more, until it is corrected with readings that stand.
"""

from collections.abc import Iterable, Iterator
from typing import Any
from uuid import UUID

from django.db.models import Exists, OuterRef, QuerySet, TextField
from django.db.models.functions import Cast

from batches.projections import rebuilds
from haccp.models import Check, Series, SeriesUse
from ledger.models import Establishment
from ledger.verification import compare_projection


def named_in(check: Check) -> set[UUID]:
    """The series that the readings of a check name."""
    return {UUID(each["series"]) for each in check.readings if "series" in each}


def keep(checks: Iterable[Check]) -> None:
    """Write down which series the checks were judged by; no statement where they name none."""
    rows = [SeriesUse(check_record=check, series_id=key) for check in checks for key in named_in(check)]
    if rows:
        SeriesUse.objects.bulk_create(rows, ignore_conflicts=True)


def judged_by(series: Series) -> QuerySet[Check]:
    """The standing checks that a series judged, the earliest first."""
    return Check.objects.standing().filter(series_uses__series=series).order_by("performed_at", "id")


def founded(checks: QuerySet[Check]) -> QuerySet[Check]:
    """The checks without those judged by a series that was corrected or withdrawn since."""
    gone = SeriesUse.objects.filter(check_record=OuterRef("pk"), series__corrected_by__isnull=False)
    return checks.filter(~Exists(gone))


def gone(check: Check) -> list[UUID]:
    """The series a check was judged by that were corrected or withdrawn since; asks nothing where it names none."""
    if not named_in(check):
        return []
    uses: Any = check.series_uses.all()
    return sorted(use.series_id for use in uses if hasattr(use.series, "corrected_by"))


def gone_of(checks: Iterable[UUID]) -> dict[UUID, list[UUID]]:
    """The same by check, for several that name series; one statement, or none."""
    keys, found = list(checks), dict[UUID, list[UUID]]()
    if keys:
        uses = SeriesUse.objects.filter(check_record__in=keys, series__corrected_by__isnull=False)
        for check, series in uses.order_by("series_id").values_list("check_record_id", "series_id"):
            found.setdefault(check, []).append(series)
    return found


def of_checks(checks: Iterable[Check]) -> dict[UUID, list[Series]]:
    """By check, the series it was judged by, with their instruments; one statement."""
    naming = [check.pk for check in checks if named_in(check)]
    found: dict[UUID, list[Series]] = {}
    if naming:
        for use in SeriesUse.objects.filter(check_record__in=naming).select_related("series__instrument"):
            found.setdefault(use.check_record_id, []).append(use.series)
    return found


# -- the projection -------------------------------------------------------------------------------------


def _by_records(establishment: Establishment) -> set[tuple[UUID, UUID]]:
    """(check, series) of every check here that names one."""
    naming = Check.objects.of(establishment).annotate(text=Cast("readings", TextField()))
    checks = naming.filter(text__contains='"series"').only("pk", "readings")
    return {(check.pk, key) for check in checks.iterator() for key in named_in(check)}


@rebuilds("uses of series")
def rebuild(establishment: Establishment) -> int:
    SeriesUse.objects.filter(check_record__establishment=establishment).delete()
    there = set(Series.objects.of(establishment).values_list("pk", flat=True))  # the others left
    rows = sorted(pair for pair in _by_records(establishment) if pair[1] in there)
    SeriesUse.objects.bulk_create(SeriesUse(check_record_id=check, series_id=key) for check, key in rows)
    return len(rows)


@compare_projection("uses of series")
def differences() -> Iterator[str]:
    for establishment in Establishment.objects.all():
        here = SeriesUse.objects.filter(check_record__establishment=establishment)
        kept = set(here.values_list("check_record", "series"))
        there = set(Series.objects.of(establishment).values_list("pk", flat=True))
        said = {pair for pair in _by_records(establishment) if pair[1] in there}
        for check, key in sorted(kept ^ said):
            yield f"check {check}: what is kept of its use of series {key} is not what it says"
