"""Addresses of this service that name things of a house, for codes on labels and for exchange.

A firm without GS1 numbers names a lot by an address under a domain of its own (Core Business Vocabulary, "class" form,
read in its issue tracker). The lot code alone finds it, since it is used once in a house. What was printed stays
printed: PUBLIC_URL should not change; an address is read whatever host it names.
"""

import ipaddress
import re
from typing import NamedTuple
from urllib.parse import quote, unquote, urlsplit
from uuid import UUID

from django.conf import settings

from batches.models import Lot
from batches.texts import CONTROL
from ledger.models import Establishment

NAMES_A_LOT = re.compile(r"/at/([0-9a-fA-F-]{36})/class/(.+)\Z")
"""The code of a product may hold a slash, and servers write %2F as one."""


class NamedLot(NamedTuple):
    establishment: UUID
    product: str
    lot: str


def below(establishment: Establishment) -> str:
    """What every address of a house begins with."""
    return f"{settings.PUBLIC_URL}/at/{establishment.pk}"


def of_lot(lot: Lot) -> str:
    return f"{below(lot.establishment)}/class/{quote(lot.material.code, safe='')}.{quote(lot.code, safe='')}"


def of_document(establishment: Establishment, number: str) -> str:
    """Where whoever holds a printed document is told whether it was made here."""
    return f"{below(establishment)}/check?document={quote(number, safe='')}"


def read_lot(address: str) -> NamedLot | None:
    """The lot that an address names in this form, of whatever house; None where it names none."""
    try:
        found = NAMES_A_LOT.search(urlsplit(address).path)
        here = UUID(found[1]) if found else None
    except ValueError:
        return None
    if found is None or here is None:
        return None
    named = unquote(found[2])
    product, dot, lot = named.rpartition(".")
    return NamedLot(here, product, lot) if dot and not CONTROL.search(named) else None


def answer() -> bool:
    """Whether PUBLIC_URL is an address that other devices can ask; one of this machine alone would be a dead link."""
    host = urlsplit(settings.PUBLIC_URL).hostname or ""
    try:
        return not ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host not in ("", "localhost") and not host.endswith(".localhost")
