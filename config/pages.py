"""What every answer tells a browser it may load."""

from typing import Any

from django.http import HttpRequest, HttpResponse

ONLY_OURS = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",  # the empty icon, and arrows of the API documentation
        "connect-src 'self'",
        "font-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)


class ContentPolicy:
    """Middleware: scripts, styles and the rest from this service only, none written into the page (W3C CSP 3).

    A view that needs less says so itself.
    """

    def __init__(self, get_response: Any):
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        answer: HttpResponse = self.get_response(request)
        answer.headers.setdefault("Content-Security-Policy", ONLY_OURS)
        return answer
