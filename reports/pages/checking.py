"""Where the code on a printed document leads: whoever holds one is told whether it was made here and is unchanged.

No sign-in, and nothing of the content is told. What is sent is read, compared and forgotten.
"""

from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import translation
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.csrf import csrf_exempt
from django.views.decorators.http import require_http_methods

from ledger import signing_keys
from ledger.models import Establishment
from ledger.standalone.check_evidence import Unreadable
from reports import made_here
from reports.listing import spoken
from reports.made_here import A_DIGEST, LARGEST_SENT, LEAST_DIGITS, Told
from reports.models import DocumentJob

AROUND = 10_000  # bytes that a form puts around its file


@never_cache
@csrf_exempt  # nothing is changed and nobody is signed in; else the body would be read before its size is looked at
@require_http_methods(["GET", "POST"])
def check(request: HttpRequest, establishment: Any) -> HttpResponse:
    """A form for the PDF, or for number and digest as printed; and the answer, in the language their browser asks for."""
    with translation.override(translation.get_language_from_request(request)):
        return _answered(request, establishment)


def _answered(request: HttpRequest, establishment: Any) -> HttpResponse:
    here = Establishment.objects.filter(pk=establishment).first()
    if here is None:
        raise Http404
    if request.method == "GET":
        return _page(request, here, number=request.GET.get("document", "")[:18])
    if int(request.META.get("CONTENT_LENGTH") or 0) > LARGEST_SENT + AROUND:
        most = LARGEST_SENT // 1024 // 1024
        return _page(request, here, 413, wrong=_("The file is larger than %d MB.") % most)
    file = request.FILES.get("file")
    return _of_number(request, here) if file is None else _of_file(request, here, file)


def _of_file(request: HttpRequest, here: Establishment, file: UploadedFile) -> HttpResponse:
    try:
        return _told(request, here, made_here.told_of_file(here, file.read()))
    except Unreadable:
        wrong = _(
            "This is no document of this service: no PDF, a broken one, or one without the data that every document has."
        )
        return _page(request, here, 400, wrong=wrong)


def _of_number(request: HttpRequest, here: Establishment) -> HttpResponse:
    number = request.POST.get("document", "").strip()[:18]
    digest = "".join(request.POST.get("digest", "").split()).lower()
    if not (number.isascii() and number.isdigit() and A_DIGEST.fullmatch(digest)):
        wrong = (
            _(
                "Choose the PDF, or give the number and at least the first %d digits of the digest of its data."
            )
            % LEAST_DIGITS
        )
        return _page(request, here, 400, wrong=wrong, number=number)
    told = made_here.told_of_number(here, number, digest)
    if told is None:
        wrong = _(
            "No document of this number has data with such a digest. Look for a slip of the pen, or send the PDF."
        )
        return _page(request, here, 404, wrong=wrong, number=number)
    return _told(request, here, told, by_number=True)


def _told(request: HttpRequest, here: Establishment, told: Told, by_number: bool = False) -> HttpResponse:
    made_at = told.made and told.made.made_at and told.made.made_at.astimezone(here.zone)
    kind = spoken(DocumentJob.Kind(told.made.kind).label) if told.made else ""
    return _page(request, here, told=told, kind=kind, made_at=made_at, by_number=by_number)


def _page(request: HttpRequest, here: Establishment, status: int = 200, **shown: Any) -> HttpResponse:
    key = signing_keys.in_force(here)
    return render(request, "reports/pages/check.html", {"house": here, "key": key, **shown}, status=status)
