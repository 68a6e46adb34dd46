"""What a batch record says of packing: each packing check, and what release was told of the label of each lot."""

from collections.abc import Iterable
from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from batches.models import Batch
from haccp.limits import Result
from haccp.models import Packed, PackingCheck, Release
from reports import kept_sentences
from reports.documents import Column, RecordLine
from reports.listing import spoken

COUNT_WORDS = {
    "issued": gettext_lazy("issued"),
    "applied": gettext_lazy("applied"),
    "spoiled": gettext_lazy("spoiled"),
    "returned": gettext_lazy("returned"),
}


@dataclass(frozen=True, kw_only=True)
class PackingLine(RecordLine):
    """A packing check; corrected ones stay, struck."""

    moment: str
    lot: str
    label: str
    counts: tuple[str, ...]
    result: Result
    findings: tuple[str, ...]

    @property
    def when_packed(self) -> tuple[str, ...]:
        return tuple(filter(None, (self.moment, self.lot)))

    @property
    def found(self) -> tuple[str, ...]:
        return (*self.counts, *self.findings)


COLUMNS = (
    Column(gettext_lazy("Packing"), "when_packed", 3),
    Column(gettext_lazy("Label on the roll"), "label", 4),
    Column(gettext_lazy("Labels, and what was wrong"), "found", 6),
    Column(gettext_lazy("Result"), "result", 3),
)


def checks_of(batch: Batch) -> list[PackingCheck]:
    """In the order of the work, corrected ones too."""
    rows = PackingCheck.objects.filter(batch=batch)
    rows = rows.select_related(*RecordLine.FROM_RECORD, "lot", "label_version__label")
    return list(rows.order_by("performed_at", "recorded_at", "id"))


def line(check: PackingCheck) -> PackingLine:
    return PackingLine.of(
        check,
        moment=spoken(check.get_moment_display()),
        lot="" if check.lot is None else check.lot.code,
        label=_label(check),
        counts=tuple(_counts(check)),
        result=Result.WITHIN if check.result == Packed.GOOD else Result.OUTSIDE,
        findings=tuple(kept_sentences.kept(each["detail"]) for each in check.findings),
    )


def _label(check: PackingCheck) -> str:
    version = check.label_version
    if version is None:
        return _("none of ours: %s") % check.seen
    words = {"code": version.label.code, "number": version.number}
    return _("%(code)s, version %(number)d") % words


def _counts(check: PackingCheck) -> Iterable[str]:
    for name, word in COUNT_WORDS.items():
        if name in check.counts:
            yield f"{word} {check.counts[name]}"


def told(releases: Iterable[Release]) -> tuple[str, ...]:
    """What stood against no release and was told with it, by lot."""
    return tuple(
        f"{release.lot.code}: {kept_sentences.kept(each['detail'])}"
        for release in releases
        for each in release.basis.get("told", ())
    )
