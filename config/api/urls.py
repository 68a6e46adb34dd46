from django.http import HttpRequest, HttpResponse, JsonResponse
from django.urls import path
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerView
from rest_framework.permissions import AllowAny

from config.api.health import health
from config.api.problems import TITLES, plain_answer


def problem_kind(request: HttpRequest, kind: str) -> HttpResponse:
    """What a problem ``type`` means, at its own address."""
    for status, (known, title) in TITLES.items():
        if known == kind:
            return JsonResponse({"type": kind, "title": title, "status": status})
    if kind.replace("-", "").isalnum():
        return JsonResponse({"type": kind, "title": kind.replace("-", " ").capitalize()})
    return plain_answer(404, "There is nothing at this address.")


open_to_all = {"permission_classes": [AllowAny], "authentication_classes": []}

urlpatterns = [
    path("health", health, name="health"),
    path("problems/<str:kind>", problem_kind, name="problem-kind"),
    path("v1/openapi.json", SpectacularAPIView.as_view(**open_to_all), name="openapi"),
    path("docs/", SpectacularSwaggerView.as_view(url_name="openapi", **open_to_all), name="api-docs"),
]
