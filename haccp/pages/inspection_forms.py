"""What is typed in during a visit: each form does one deed. Times are on the establishment's clock."""

from collections.abc import Callable
from typing import Any

from django import forms
from django.db import transaction
from django.http import HttpRequest
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from batches.models import Equipment, Lot
from config.api.refusals import Unknown
from haccp.inspections import findings, samples, visits
from haccp.models import (
    CounterSample,
    FindingClosed,
    InspectedBy,
    InspectedFor,
    InspectedHow,
    Inspection,
    InspectionNote,
    SampleResult,
)
from ledger import attachments, signatures
from ledger.acts import Act
from ledger.ids import uuid7
from ledger.models import Entry, Establishment, Record

CLOCK = "%Y-%m-%dT%H:%M"
"""As HTML's local date and time."""


def line(label: Any, length: int, **options: Any) -> forms.CharField:
    return forms.CharField(label=label, max_length=length, **({"required": False} | options))


def words(label: Any, length: int, **options: Any) -> forms.CharField:
    return line(label, length, widget=forms.Textarea(attrs={"rows": 3}), **options)


def day(label: Any) -> forms.DateField:
    widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
    return forms.DateField(label=label, required=False, widget=widget)


def paper(label: Any) -> forms.FileField:
    return forms.FileField(
        label=label, required=False, help_text=_("A photo (JPEG, PNG) or a PDF; it hangs on the record.")
    )


def choice(label: Any, choices: Any) -> forms.ChoiceField:
    return forms.ChoiceField(label=label, choices=choices)


class DeedForm(forms.Form):
    """``record``: the id that what it writes will have, so that a form sent twice is one record."""

    title: Any
    button: Any
    fails_at: dict[str, str] = {}  # fields of the deed that have another name here

    record = forms.UUIDField(widget=forms.HiddenInput)
    at = forms.DateTimeField(
        label=_("When"), widget=forms.DateTimeInput(format=CLOCK, attrs={"type": "datetime-local"})
    )

    def __init__(self, here: Establishment, *args: Any, **options: Any):
        usual = {"record": uuid7(), "at": timezone.now().replace(second=0, microsecond=0)}
        super().__init__(*args, **(options | {"initial": usual | options.get("initial", {})}))
        self.here = here

    def values(self) -> dict[str, Any]:
        """What the deed is told."""
        return {name: value for name, value in self.cleaned_data.items() if name not in ("record", "at")}


class ArriveForm(DeedForm):
    title, button = _("Somebody comes to inspect"), _("Record the visit")

    by_whom = choice(_("Who"), InspectedBy.choices)
    body = line(_("Office or firm"), 200, required=True)
    why = choice(_("Why"), InspectedFor.choices)
    how = choice(_("How"), InspectedHow.choices)
    about = words(_("What they came for, in their words"), 2000)
    people = words(
        _("Their names"), 2000, help_text=_("One a line: name, then a comma and the function, if told.")
    )
    reference = line(_("Reference of their notice or order"), 120)
    announced_on = day(_("Announced on"))
    fails_at = {"visitors": "people"}

    def values(self) -> dict[str, Any]:
        said = super().values()
        lines = [line.strip() for line in said.pop("people").splitlines() if line.strip()]
        named = [line.partition(",") for line in lines]
        visitors = [{"name": name.strip(), "function": function.strip()} for name, _comma, function in named]
        return said | {"visitors": visitors}


class NoteForm(DeedForm):
    title, button = _("Shown, copied or said"), _("Record it")

    what = choice(_("What happened"), InspectionNote.What.choices)
    text = words(_("In words"), 4000)
    document = forms.IntegerField(
        label=_("Number of a document made here"), required=False, min_value=1, max_value=2**31 - 1
    )


class SampleForm(DeedForm):
    title, button = _("They take a sample"), _("Record the sample")

    lot = line(_("Lot code"), 20)
    quantity = line(_("How much of the lot"), 40, widget=forms.TextInput(attrs={"inputmode": "decimal"}))
    unit = forms.ChoiceField(
        label=_("Unit"), choices=[("KGM", "kg"), ("GRM", "g"), ("H87", _("pieces"))], required=False
    )
    of = line(_("Of what, if it is of no lot"), 300)
    analysis = line(_("What is looked for, if told"), 1000)
    mark = line(_("How theirs is sealed or marked"), 200)
    counter = choice(_("Counter-sample"), CounterSample.choices)
    counter_sample = line(_("How it is sealed or marked, and where it lies"), 300)
    receipt = line(_("Number of their receipt"), 120)
    result_by = day(_("Result promised by"))

    def values(self) -> dict[str, Any]:
        said = super().values()
        code = said.pop("lot").strip()
        if not code:
            return said | {"unit": "" if not said["quantity"] else said["unit"]}
        return said | {"lot": lot_by(self.here, code)}


class ResultForm(DeedForm):
    title, button = _("A result came"), _("Record the result")

    sample = forms.UUIDField(widget=forms.HiddenInput)
    outcome = choice(_("Outcome"), SampleResult.Outcome.choices)
    text = words(_("In their words"), 4000, required=True)
    reference = line(_("Reference"), 120)


class FindingForm(DeedForm):
    title, button = _("They find something"), _("Record the finding")

    text = words(_("In their words"), 4000, required=True)
    number = line(_("Their number"), 20)
    rule = line(_("The rule they name"), 300)
    grade = line(_("How grave, in their words"), 120)
    due_on = day(_("To be answered by"))
    lot = line(_("Lot code, if it is about a lot"), 20)
    equipment = forms.ModelChoiceField(
        label=_("Equipment, if it is about that"), queryset=Equipment.objects.none(), required=False
    )
    as_entered = forms.BooleanField(
        label=_("The day stands so in what they wrote, though it lies before the visit"), required=False
    )

    def __init__(self, here: Establishment, *args: Any, **options: Any):
        super().__init__(here, *args, **options)
        known = Equipment.objects.filter(establishment=here, in_use=True).order_by("code")
        self.fields["equipment"].queryset = known  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        said = super().values()
        code = said.pop("lot").strip()
        return said | ({"lot": lot_by(self.here, code)} if code else {})


class AnswerForm(DeedForm):
    title, button = _("Say what was done"), _("Record the answer")

    finding = forms.UUIDField(widget=forms.HiddenInput)
    text = words(_("What was done"), 4000, required=True)
    told = line(_("How and to whom it was told"), 300)
    file = paper(_("What shows it"))


class CloseForm(DeedForm):
    title, button = _("Close the finding"), _("Close by signature")

    finding = forms.UUIDField(widget=forms.HiddenInput)
    by = choice(_("By whose word"), FindingClosed.By.choices)
    reference = line(_("Reference of their word"), 200)
    because = words(_("Why the house holds it done"), 2000)
    password = forms.CharField(
        label=_("Your password, to sign"),
        max_length=200,
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )


class EndForm(DeedForm):
    title, button = _("They leave"), _("Record that they left")

    outcome = words(_("What they said of the whole"), 4000)
    reference = line(_("Reference of their report"), 120)
    disagrees = forms.BooleanField(label=_("The house disagrees"), required=False)
    objection = words(_("In the house's own words"), 4000)
    file = paper(_("Their report"))


def lot_by(here: Establishment, code: str) -> Lot:
    """Raises Unknown for a code that no lot here bears."""
    found = Lot.objects.filter(establishment=here, code__iexact=code).first()
    if found is None:
        raise Unknown(f"There is no lot {code} here.", field="lot")
    return found


# -- what each does ----------------------------------------------------------------------------------------

Do = Callable[[HttpRequest, Act, Inspection, dict[str, Any]], Record]


def _note(request: HttpRequest, act: Act, visit: Inspection, said: dict[str, Any]) -> Record:
    return visits.note(act=act, inspection=visit, **said)


def _sample(request: HttpRequest, act: Act, visit: Inspection, said: dict[str, Any]) -> Record:
    return samples.take(act=act, inspection=visit, **said)


def _result(request: HttpRequest, act: Act, visit: Inspection, said: dict[str, Any]) -> Record:
    sample = _of_visit(visit, "samples", said.pop("sample"))
    return samples.tell_result(act=act, sample=sample, **said)


def _finding(request: HttpRequest, act: Act, visit: Inspection, said: dict[str, Any]) -> Record:
    return findings.find(act=act, inspection=visit, **said)


def _answer(request: HttpRequest, act: Act, visit: Inspection, said: dict[str, Any]) -> Record:
    file, finding = said.pop("file"), _of_visit(visit, "findings", said.pop("finding"))
    with transaction.atomic():
        return _with_paper(act, findings.answer(act=act, finding=finding, **said), file)


def _close(request: HttpRequest, act: Act, visit: Inspection, said: dict[str, Any]) -> Record:
    finding = _of_visit(visit, "findings", said.pop("finding"))
    proof = signatures.prove(request=request, person=act.recorded_by, password=said.pop("password"))
    return findings.close(act=act, finding=finding, proof=proof, **said)


def _end(request: HttpRequest, act: Act, visit: Inspection, said: dict[str, Any]) -> Record:
    file = said.pop("file")
    with transaction.atomic():
        return _with_paper(act, visits.leave(act=act, inspection=visit, **said), file)


def _of_visit(visit: Inspection, what: str, pk: Any) -> Any:
    first = Inspection.objects.get(pk=visits.line_of(visit))
    found = getattr(first, what).select_related("inspection__establishment", "establishment").filter(pk=pk)
    if not found:
        raise Unknown("That is not of this visit.")
    return found[0]


def _with_paper(act: Act, record: Record, file: Any) -> Record:
    """Together with its file, so that a form whose file cannot be kept is asked back whole."""
    if file is not None and not record.repeated:
        attachments.attach(
            act=act.with_new_id(),
            target=Entry.objects.get(pk=record.pk),
            file=file,
            file_name=file.name,
            media_type=file.content_type,
        )
    return record


DEEDS: dict[str, tuple[type[DeedForm], Do]] = {
    "note": (NoteForm, _note),
    "sample": (SampleForm, _sample),
    "result": (ResultForm, _result),
    "finding": (FindingForm, _finding),
    "answer": (AnswerForm, _answer),
    "closing": (CloseForm, _close),
    "end": (EndForm, _end),
}
"""By the name that a form sends with it."""
