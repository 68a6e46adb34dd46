"""What a field that answers a rule is called on paper: the head that stands above it or before it in a document.

Data call it by its class and name; an inspector looks for the words. The texts are those of the tables and templates, so
that they stay the same in each language.
"""

from collections.abc import Iterable, Iterator
from typing import Any

from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

HEAD = _("Name and address at the head")
WHEN = _("When")
BY = _("By")
CHECKS = _("Checks")
READ = _("Read, as entered")
RESULT = _("Result")

WORDS: dict[str, tuple[Any, ...]] = {
    "AllergenSheet.labels": (_("Labels"),),
    "AllergenSheet.statements": (_("What documents state of its ingredients"),),
    "Archive.root": (_("Archives"),),
    "BatchRecord.cases": (_("Deviations"),),
    "BatchRecord.checks": (CHECKS,),
    "BatchRecord.left_out": (_("Left out"),),
    "BatchRecord.lots_used": (_("Lots used"),),
    "BatchRecord.open_checks": (_("Asked for by the plan and not there"),),
    "BatchRecord.sheet": (
        _("Batch"),
        _("Product"),
        _("Weigh-up against the recipe"),
        _("Process"),
        _("Made"),
    ),
    "Case.dispositions": (_("What becomes of each lot"),),
    "ChangeoverLine.cleared": (_("How, and what was removed"),),
    "ChangeoverLine.released": (_("Release"),),
    "ChangeoverLine.shown": (_("What showed it"),),
    "Check.judgements": (_("Must be (set by)"),),
    "Check.readings": (READ,),
    "Check.result": (RESULT,),
    "CheckLine.result": (RESULT,),
    "ComplianceProfile.parts": (_("Parts"),),
    "ComplianceRelief.basis": (_("Basis"),),
    "ComplianceRelief.until_day": (_("Until, not included"),),
    "DeviationList.cases": (_("Deviations"),),
    "DeviationPaper.case": (_("What happened"), _("Answers"), _("Decisions on lots")),
    "Document.establishment": (HEAD,),
    "Document.establishment_lines": (HEAD,),
    "HazardPlan.controls": (_("Control points"),),
    "HazardPlan.recall": (_("Recall"),),
    "InspectionFile.left_out": (_("Left out"),),
    "InspectionFile.lines": (_("Contents"),),
    "InspectionFile.records": (_("Records and their digests"),),
    "InspectionRecord.about": (_("What they came for"),),
    "JudgedReading.entered": (READ,),
    "KeptLonger.years": (_("Words of a food-safety lead"),),
    "LegalHold.because": (_("Words of a food-safety lead"),),
    "LogLine.readings": (READ, _("Must be (set by)")),
    "LogLine.signed": (_("Signed"),),
    "LotUsed.supplier": (_("Lots used"), pgettext_lazy("of a lot", "From")),
    "MonitoringLog.checks": (CHECKS,),
    "MonitoringLog.missed": (_("Missed checks"),),
    "Movement.partner": (_("Movements by partner and document"),),
    "Movement.quantity": (_("Weighings"),),
    "NoteLine.document": (_("Document"),),
    "OwnLine.by": (_("Noted by"),),
    "PartLine.eased": (_("What is different, and on what grounds"),),
    "PeopleList.people": (_("People"),),
    "PeopleList.qualifications": (_("Training and qualifications"),),
    "QualificationLine.evidence": (_("Evidence"),),
    "Reanalysis.due": (_("By that term due on"),),
    "RecallAnswer.passed_on": (_("What they say"),),
    "RecallPlan.number": (_("Version"),),
    "RecallPlanPaper.steps": (_("What is done, and by whom"),),
    "RecallReport.at": (_("As known at"),),
    "RecallReport.clock": (_("Clock"),),
    "RecallReport.consignees": (_("Consignees"),),
    "RecallReport.gaps": (_("Gaps"),),
    "RecallReport.level": (_("Effectiveness level"),),
    "RecallStrategy.classified_by": (_("Class"),),
    "ReceiptLine.decided": (_("Decision"),),
    "ReceiptLine.supplier": (_("Supplier and their code"),),
    "Record.corrects": (_("Correction"),),
    "Record.performed_at": (WHEN,),
    "Record.performed_by": (BY,),
    "Record.performed_offset": (WHEN,),
    "RecordLine.late_by": (_("Late entry"),),
    "RetentionReport.applied": (_("Rules that apply"),),
    "RetentionReport.kept": (_("What keeps the rest"),),
    "RetentionReport.kinds": (_("What may leave"),),
    "RuleLine.rule": (_("Rules that fields of this document are meant to answer"),),
    "SampleLine.receipt": (_("Receipt"),),
    "Signature.meaning": (_("Signatures"),),
    "Validation.due": (_("On site"),),
    "VerificationLine.covers": (_("Speaks for"),),
    "VerificationLine.found": (_("Showed"),),
    "VerificationLine.should": (_("Should show (source)"),),
    "VerificationLog.register": (_("Register"),),
    "VerificationLog.verifications": (_("Verifications"),),
}
"""By the name that data give it (``answered.short``)."""


def on_paper(fields: Iterable[str]) -> str:
    """The heads of these fields in the active language, each once."""
    return "; ".join(dict.fromkeys(_heads(fields)))


def _heads(fields: Iterable[str]) -> Iterator[str]:
    for field in fields:
        yield from map(str, WORDS[field])
