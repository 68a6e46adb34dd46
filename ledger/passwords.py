"""Giving one's password: at sign-in, when signing, when changing it. Wrong tries count for the person and address."""

from ipaddress import ip_address

from axes.handlers.proxy import AxesProxyHandler
from django.contrib.auth import authenticate
from django.http import HttpRequest, HttpResponse

from config.api.refusals import NotAllowed
from ledger.models import Person


class WrongPassword(NotAllowed):
    code = "wrong-password"
    title = "The password is not right"


class TooManyTries(NotAllowed):
    """Whoever gave wrong passwords again and again waits (429): five minutes, this person at this address."""

    status = 429
    code = "too-many-tries"
    title = "Too many wrong passwords"


def person_who_knows(
    *, request: HttpRequest, sign_in_name: str, password: str, field: str = "password"
) -> Person:
    """The active person with this name and password. Raises WrongPassword, TooManyTries; a wrong one counts.

    A right one forgets the wrong ones before it, so that slips spread over a shift lock nobody out.
    """
    # Under the name axes looks for: under another it would count the wrong ones for nobody and lock nobody out.
    credentials = {Person.USERNAME_FIELD: sign_in_name, "password": password}
    found = authenticate(request, **credentials)
    if isinstance(found, Person):
        AxesProxyHandler.reset_attempts(username=sign_in_name, ip_address=request.axes_ip_address)  # type: ignore[attr-defined]
        return found
    if AxesProxyHandler.is_locked(request, credentials):
        raise TooManyTries(
            "Too many wrong passwords here. Wait five minutes. Nothing was written.", field=field
        )
    raise WrongPassword("The password is not right. Nothing was written.", field=field)


def address_before_proxy(request: HttpRequest) -> str:
    """Who asked the web server before this one: the last address it noted; those before it anybody may make up."""
    noted = request.META.get("HTTP_X_FORWARDED_FOR", "").rsplit(",", 1)[-1].strip()
    try:
        return str(ip_address(noted))
    except ValueError:
        return str(request.META.get("REMOTE_ADDR", ""))


def as_answered(request: HttpRequest, answer: HttpResponse, credentials: object = None) -> HttpResponse:
    """For django-axes: whoever is locked out was told so already, by TooManyTries."""
    return answer
