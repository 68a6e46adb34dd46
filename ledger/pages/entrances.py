"""The house's own pages of entrances: which there are, opening and revoking one."""

from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from config.api.refusals import Refusal, Unknown
from ledger import entrances
from ledger.acts import Act, Moment
from ledger.api.authentication import Standing
from ledger.api.scope import PLANNERS
from ledger.models import Entrance, Establishment, Person, Role
from ledger.pages.signing_in import Password
from ledger.pages.ways_in import page, spoken

MOST = 200  # entrances of one page (a site setting, no source); the API has all
NEW = ("sign_in_name", "name", "initials", "password")


class Local(forms.DateTimeField):
    """A moment on the clock of the house."""

    def __init__(self, label: Any):
        widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
        super().__init__(label=label, widget=widget)


class Day(forms.DateField):
    def __init__(self, label: Any, **kwargs: Any):
        super().__init__(
            label=label, widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"), **kwargs
        )


class EntranceForm(forms.Form):
    """Somebody with the role inspector, or somebody new."""

    person = forms.ModelChoiceField(
        Person.objects.none(),
        label=gettext_lazy("Inspector"),
        required=False,
        empty_label=gettext_lazy("Somebody new"),
    )
    name = forms.CharField(label=gettext_lazy("Name, if new"), max_length=120, required=False)
    initials = forms.CharField(label=gettext_lazy("Initials, if new"), max_length=6, required=False)
    sign_in_name = forms.CharField(label=gettext_lazy("Sign-in name, if new"), max_length=60, required=False)
    password = Password(gettext_lazy("First password, if new; they change it themselves"), "new-password")
    authority = forms.CharField(label=gettext_lazy("Of which authority"), max_length=200)
    because = forms.CharField(label=gettext_lazy("Why"), max_length=1000)
    opens_at = Local(gettext_lazy("Open from"))
    closes_at = Local(gettext_lazy("Open until"))
    first_day = Day(gettext_lazy("First day of the records"))
    last_day = Day(gettext_lazy("Last day of the records; empty: up to today"), required=False)

    def __init__(self, here: Establishment, *args: Any, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.fields["password"].required = False
        inspects = {"memberships__establishment": here, "memberships__role": Role.INSPECTOR}
        chosen: Any = self.fields["person"]
        chosen.queryset = Person.objects.filter(**inspects, is_active=True).order_by("name")

    def clean(self) -> dict[str, Any]:
        said = super().clean() or {}
        if not said.get("person"):
            for name in NEW:
                if not said.get(name):
                    self.add_error(name, _("Of somebody new this is needed."))
        return said


@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
@spoken
@page()
def index(request: HttpRequest, at: Standing) -> HttpResponse:
    """Those that are open or will be, those that ended or were revoked; for who may, a form to open one."""
    here = at.establishment
    with timezone.override(here.zone):
        form = EntranceForm(here, request.POST or None, initial=_usual(here))
        status = 200
        if request.method == "POST" and form.is_valid():
            try:
                _let_in(request, at, form.cleaned_data)
                return redirect("entrances-page", here.pk)
            except Refusal as refusal:
                status = refusal.status
                for reason in refusal.reasons:
                    form.add_error(reason.field if reason.field in form.fields else None, reason.detail)
        elif request.method == "POST":
            status = 400
        shown = {
            "establishment": here,
            "form": form if at.roles & PLANNERS else None,
            "entrances": _listed(here),
        }
        return render(request, "ledger/entrances.html", shown, status=status)


def _usual(here: Establishment) -> dict[str, Any]:
    """Open for today, to the last year of records: whoever fills the form in changes it."""
    now = timezone.now().astimezone(here.zone).replace(second=0, microsecond=0)
    return {
        "opens_at": now,
        "closes_at": now.replace(hour=23, minute=59),
        "first_day": now.date() - timedelta(days=365),
    }


def _let_in(request: HttpRequest, at: Standing, said: dict[str, Any]) -> None:
    who = {name: said.pop(name) for name in NEW} | {"email": ""}
    person, act = said.pop("person"), _act(request, at)
    if person is None:
        opened = entrances.let_in_somebody_new(act=act, who=who, **said)
    else:
        opened = entrances.let_in(act=act, person=person, **said)
    messages.success(request, _("%s is let in.") % opened.person.name)


def _act(request: HttpRequest, at: Standing, **values: Any) -> Act:
    person: Person = request.user  # type: ignore[assignment]
    now = Moment.now(at.establishment)
    return Act(
        establishment=at.establishment, performed_by=person, performed=now, recorded_by=person, **values
    )


def _listed(here: Establishment) -> list[tuple[Entrance, str, datetime | None]]:
    """Newest first, each with how it stands now, and when it was revoked."""
    rows = (
        Entrance.objects.of(here)
        .filter(withdrawn=False)
        .select_related("person", "recorded_by", "corrected_by")
    )
    now = timezone.now()
    return [(each, _state(each, now), _revoked_at(each)) for each in rows[:MOST]]


def _revoked_at(entrance: Entrance) -> datetime | None:
    revoked: Entrance | None = getattr(entrance, "corrected_by", None)
    return revoked.recorded_at if revoked else None


def _state(entrance: Entrance, now: datetime) -> str:
    if _revoked_at(entrance):
        return "revoked"
    if entrance.closes_at <= now:
        return "ended"
    return "open" if entrance.opens_at <= now else "later"


@require_POST
@spoken
@page(PLANNERS)
def revoke(request: HttpRequest, at: Standing, pk: UUID) -> HttpResponse:
    """``reason``: why."""
    reason = request.POST.get("reason", "").strip()[:1000]
    if not reason:
        messages.error(request, _("Say why it is revoked. It is still open."))
    elif not Entrance.objects.of(at.establishment).filter(pk=pk).exists():
        raise Unknown("There is no such entrance here.")
    else:
        entrances.revoke(act=_act(request, at, corrects=pk, reason=reason, withdraws=True))
        messages.success(request, _("The entrance is revoked. It opens nothing from now on."))
    return redirect("entrances-page", at.establishment.pk)
