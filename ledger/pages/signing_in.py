"""Pages around the session: signing in and out, one's password, and where one works as what."""

from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login, logout, update_session_auth_hash
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render, resolve_url
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from config.api.problems import RETRY_AFTER
from config.api.refusals import Refusal
from ledger import people
from ledger.acts import Act, Moment
from ledger.models import Membership, Person
from ledger.pages.ways_in import spoken
from ledger.passwords import person_who_knows

BACKEND = "django.contrib.auth.backends.ModelBackend"


class Password(forms.CharField):
    def __init__(self, label: Any, fill: str):
        widget = forms.PasswordInput(attrs={"autocomplete": fill})
        super().__init__(label=label, max_length=200, strip=False, widget=widget)


class SignInForm(forms.Form):
    sign_in_name = forms.CharField(
        label=_("Sign-in name"),
        max_length=60,
        widget=forms.TextInput(
            attrs={"autocomplete": "username", "autocapitalize": "none", "autofocus": True}
        ),
    )
    password = Password(_("Password"), "current-password")


class PasswordForm(forms.Form):
    password = Password(_("Present password"), "current-password")
    new_password = Password(_("New password"), "new-password")
    new_password_again = Password(_("New password once more"), "new-password")

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if values.get("new_password") != values.get("new_password_again"):
            raise forms.ValidationError({"new_password_again": _("The two new passwords differ.")})
        return values


@never_cache
@spoken
@sensitive_post_parameters("password")
@require_http_methods(["GET", "POST"])
def sign_in(request: HttpRequest) -> HttpResponse:
    """Start a session. Five wrong passwords wait five minutes, for this person at this address."""
    form = SignInForm(request.POST or None)
    if form.is_valid():
        try:
            person = person_who_knows(request=request, **form.cleaned_data)
        except Refusal as refusal:
            return _refused(request, "ledger/sign_in.html", form, refusal)
        login(request, person, backend=BACKEND)
        return redirect(_next(request))
    return render(request, "ledger/sign_in.html", {"form": form, "next": request.GET.get("next", "")})


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    """End the session, on this device only."""
    logout(request)
    return redirect(settings.LOGOUT_REDIRECT_URL)


@never_cache
@spoken
@sensitive_post_parameters("password", "new_password", "new_password_again")
@login_required
@require_http_methods(["GET", "POST"])
def password(request: HttpRequest) -> HttpResponse:
    """Set one's own password; sessions on other devices end by it."""
    form = PasswordForm(request.POST or None)
    if form.is_valid():
        try:
            _set_own_password(request, form.cleaned_data)
        except Refusal as refusal:
            return _refused(request, "ledger/password.html", form, refusal)
        messages.success(
            request,
            _("Your password is set. Pages on other devices ask for it now; keys go on until they end."),
        )
        return redirect("home")
    return render(request, "ledger/password.html", {"form": form})


def _set_own_password(request: HttpRequest, values: dict[str, str]) -> None:
    person = _person(request)
    person_who_knows(request=request, sign_in_name=person.sign_in_name, password=values["password"])
    held = Membership.objects.filter(person=person).select_related("establishment").earliest("id")
    act = Act(
        establishment=held.establishment,
        performed_by=person,
        performed=Moment.now(held.establishment),
        recorded_by=person,
    )
    people.change_password(act=act, person=person, password=values["new_password"])
    update_session_auth_hash(request, person)


@never_cache
@spoken
@login_required
def home(request: HttpRequest) -> HttpResponse:
    """Where the person works today, and as what."""
    return render(request, "ledger/home.html", {"places": places_of(_person(request))})


def places_of(person: Person) -> list[tuple[Any, list[str]]]:
    """(establishment, names of the roles) where the person has a role on that place's day of today."""
    places: dict[Any, tuple[Any, list[str]]] = {}
    held = Membership.objects.filter(person=person).select_related("establishment")
    for row in held.order_by("establishment__name", "establishment_id", "role"):
        today = timezone.now().astimezone(row.establishment.zone).date()
        if row.from_day <= today and (row.until_day is None or row.until_day > today):
            place = places.setdefault(row.establishment_id, (row.establishment, []))
            place[1].append(str(row.get_role_display()))
    return list(places.values())


def _person(request: HttpRequest) -> Person:
    if not isinstance(request.user, Person):
        raise TypeError("login_required stands before this")
    return request.user


def _next(request: HttpRequest) -> str:
    """The page that asked for the sign-in, if it is one of ours."""
    wanted = request.POST.get("next", "")
    if url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure()):
        return wanted
    return resolve_url(settings.LOGIN_REDIRECT_URL)


def _refused(request: HttpRequest, template: str, form: forms.Form, refusal: Refusal) -> HttpResponse:
    """The same page with the sentence where it belongs; nothing that was typed as a password comes back."""
    for reason in refusal.reasons:
        form.add_error(reason.field if reason.field in form.fields else None, reason.detail)
    shown = {"form": form, "next": request.POST.get("next", "")}
    answer = render(request, template, shown, status=refusal.status)
    if wait := RETRY_AFTER.get(refusal.status):
        answer["Retry-After"] = wait
    return answer
