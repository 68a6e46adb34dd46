"""Pages at the addresses that stand in codes on labels, and one to scan or type a code.

Who works at the house sees the lot. Anybody else sees what stands on the label anyway, the same whether there is such
a lot or not, so that nothing can be found out by trying.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from batches import own_addresses, quantities
from batches.codes import CHOSEN_CODE
from batches.models import Dimension, Lot
from batches.scanning import links
from config.api.refusals import NotAllowed, Refusal, Unknown, Unusable
from haccp import scanning
from haccp.allergens import content, lists
from haccp.allergens.content import CAUTION, Content
from haccp.allergens.vocabulary import Vocabulary
from haccp.lot_doings import Standing
from haccp.scanning import Answered, Candidate
from ledger.api.authentication import Standing as At
from ledger.api.authentication import standing_at
from ledger.models import Establishment, Person
from ledger.pages.ways_in import page

DEEDS = {
    "use": _("Use in a batch"),
    "ship": _("Ship"),
    "release": _("Release"),
    "count": _("Count"),
    "move": _("Move"),
    "sample": _("Take a sample"),
    "destroy": _("Destroy"),
    "report": _("Report something wrong"),
    "read": _("Read"),
}
POSTED_TO = {
    "use": "movement-used",
    "ship": "movement-shipped",
    "release": "lot-releases",
    "count": "movement-counted",
    "move": "movement-moved",
    "sample": "movement-sampled",
    "destroy": "movement-destroyed",
    "report": "deviations",
}
"""Of each deed the name of its address in the API: no page writes one down yet."""


@never_cache
@require_safe
def at_address(request: HttpRequest, establishment: Any, rest: str) -> HttpResponse:
    """What the address names, for who works there; for others the firm that printed it."""
    here = Establishment.objects.filter(pk=establishment).first()
    if here is None:
        raise Http404
    address = settings.PUBLIC_URL + request.get_full_path()
    at = _standing(request, here)
    if at is None:
        return _for_strangers(request, here, address)
    return _answer(request, at, address, nothing=404)


@require_http_methods(["GET", "POST"])
@page()
def scan(request: HttpRequest, at: At) -> HttpResponse:
    """A field to scan into or type in, and what the code is."""
    if request.method == "GET":
        return render(request, "haccp/code.html", {"establishment": at.establishment})
    return _answer(request, at, request.POST.get("text", ""))


def _standing(request: HttpRequest, here: Establishment) -> At | None:
    """None for whoever does not work here: an inspector's entrance opens documents, not what lies where today."""
    if not isinstance(request.user, Person):
        return None
    try:
        at = standing_at(request.user, None, here.pk)
    except (Unknown, NotAllowed):
        return None
    return None if at.entrance else at


def _answer(request: HttpRequest, at: At, text: str, nothing: int = 200) -> HttpResponse:
    """``nothing``: the status where nothing bears the code."""
    here = at.establishment
    shown: dict[str, Any] = {"establishment": here, "text": text}
    try:
        found = scanning.answer(here, text, at.roles, timezone.now().astimezone(here.zone).date())
    except Refusal as refusal:
        return render(request, "haccp/code.html", shown | {"wrong": refusal.detail}, status=refusal.status)
    status = 200 if found.candidates else nothing
    return render(request, "haccp/code.html", shown | _shown(here, found), status=status)


def _shown(here: Establishment, found: Answered) -> dict[str, Any]:
    known = [each.standing.lot for each in found.candidates if each.standing]
    there = content.of_lots(here, [lot for lot in known if not lot.state.withdrawn])
    words = lists.vocabulary(here) if there else None
    return {
        "caution": CAUTION if there else "",
        "found": found,
        "fields": [(each.title, each.day or each.number or each.value) for each in found.scanned.elements],
        "candidates": [(each, _lot(here, each, there, words)) for each in found.candidates],
    }


def _lot(
    here: Establishment, each: Candidate, there: Mapping[int, Content], words: Vocabulary | None
) -> dict[str, Any] | None:
    known: Standing | None = each.standing
    if known is None:
        return None
    measure = "pieces" if known.lot.material.dimension == Dimension.COUNT else "mass"
    return {
        "on_hand": quantities.shown(known.lot.state.on_hand, measure),
        "lying": [(each.place, quantities.shown(each.base, measure)) for each in known.lying],
        "doings": [
            (DEEDS[each.deed], each.may, each.because, _posted_to(here, known.lot, each.deed))
            for each in known.doings
        ],
        "allergens": list(_told(there[known.lot.pk], words)) if words and known.lot.pk in there else [],
    }


def _posted_to(here: Establishment, lot: Lot, deed: str) -> str:
    """Where a deed is written down; empty where nothing is."""
    name = POSTED_TO.get(deed)
    if name is None:
        return ""
    return reverse(name, args=[here.pk, lot.uid] if deed == "release" else [here.pk])


def _told(found: Content, words: Vocabulary) -> Iterator[tuple[Any, list[str]]]:
    """What is in a lot, what may be, and what nobody stated, which is not the same as absent."""
    yield _("Contains"), _named(found.contains, words) or [_("nothing that a document states")]
    yield _("May contain"), _named(found.may, words) or [_("nothing that a document or a record tells")]
    yield _("Unknown, nobody stated it"), _named(found.unknown, words)
    yield _("Unknown by contact"), _named(found.unknown_by_contact, words)
    yield _("There, below what a list asks for"), _named(found.below, words)
    yield _("There, on no list"), _named(found.unlisted, words)
    yield _("Exempt"), _named(found.exempt, words)


def _named(codes: Iterable[str], words: Vocabulary) -> list[Any]:
    return sorted(lists.spoken(words, code) for code in codes)


def _for_strangers(request: HttpRequest, here: Establishment, address: str) -> HttpResponse:
    shown = {"house": here, "code": _printed_code(address), "next": request.get_full_path()}
    return render(request, "haccp/code_for_strangers.html", shown)


def _printed_code(address: str) -> str:
    """The lot code as it stands in the address, if it can be one; nothing is looked up."""
    named = own_addresses.read_lot(address)
    try:
        said = {each.ai: each.value for each in links.read(address) or ()}
    except Unusable:
        said = {}
    code = named.lot if named else said.get("10", "")
    return code if CHOSEN_CODE.fullmatch(code) else ""
