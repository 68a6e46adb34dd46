"""Who asks, and what they may do here: one statement for a token, its person and their roles."""

import uuid
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from django.db.models import CharField, DateTimeField, F, FilteredRelation, Q
from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from config.api.refusals import Unknown
from ledger import entrances
from ledger.models import Entrance, Establishment, Membership, Person, Role, Token
from ledger.people import hash_of
from ledger.prepared import Given, Prepared


@dataclass(frozen=True)
class Standing:
    """What a person is at one establishment today. ``entrance``: of who only inspects there, the one that is open now."""

    establishment: Establishment
    roles: frozenset[str]
    entrance: Entrance | None = None


class TokenAuthentication(BaseAuthentication):
    """``Authorization: Bearer KEY``; the key names a person and one establishment, and ends on a day."""

    def authenticate(self, request: Request) -> tuple[Person, Standing] | None:
        words = get_authorization_header(request).split()
        if not words or words[0].lower() != b"bearer":
            return None
        if len(words) != 2:
            raise AuthenticationFailed("Send one key: Authorization: Bearer KEY.")
        rows = _WITH_ROLES.rows(key_hash=hash_of(words[1].decode("latin-1")), now=timezone.now())
        if not rows:
            raise AuthenticationFailed("This key is not known, has ended, or was revoked.")
        token: Token = rows[0]
        held = ((row.role, row.role_from, row.role_until) for row in rows)
        return token.person, Standing(token.establishment, _current(held, token.establishment))

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


class BearerScheme(OpenApiAuthenticationExtension):
    """How the OpenAPI document names it."""

    target_class = TokenAuthentication
    name = "key"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer", "description": "A key from POST /api/v1/keys."}


def _with_roles() -> Any:
    """The token, once for each role its person has at its establishment."""
    roles = FilteredRelation(
        "person__memberships", condition=Q(person__memberships__establishment=F("establishment"))
    )
    return (
        Token.objects.annotate(held=roles)
        .annotate(role=F("held__role"), role_from=F("held__from_day"), role_until=F("held__until_day"))
        .filter(
            key_hash=Given("key_hash", CharField()),
            revoked_at__isnull=True,
            ends_at__gt=Given("now", DateTimeField()),
            person__is_active=True,
        )
        .select_related("person", "establishment")
    )


_WITH_ROLES = Prepared(_with_roles)


def _current(held: Iterable[tuple[str, date, date | None]], establishment: Establishment) -> frozenset[str]:
    today = timezone.now().astimezone(establishment.zone).date()
    return frozenset(
        role for role, begin, end in held if role and begin <= today and (end is None or end > today)
    )


def standing_at(person: Person, auth: Any, establishment: uuid.UUID) -> Standing:
    """What ``person`` is at an establishment, by every way in.

    Raises Unknown: what one does not belong to does not exist; NotAllowed for an inspector without an open entrance.
    """
    found = auth if isinstance(auth, Standing) else _by_membership(person, establishment)
    if found is None or found.establishment.pk != establishment or not found.roles:
        raise Unknown("There is no such establishment for you.")
    if found.roles == ONLY_INSPECTS:
        return replace(found, entrance=entrances.of_today(person, found.establishment))
    return found


ONLY_INSPECTS = frozenset({Role.INSPECTOR})


def _by_membership(person: Person, establishment: uuid.UUID) -> Standing | None:
    held = Membership.objects.filter(person=person, establishment=establishment)
    rows = list(held.select_related("establishment"))
    if not rows:
        return None
    here = rows[0].establishment
    return Standing(here, _current(((row.role, row.from_day, row.until_day) for row in rows), here))
