from typing import Any

from django.http import Http404
from django.urls import path
from drf_spectacular.utils import extend_schema
from drf_spectacular.views import SpectacularJSONAPIView, SpectacularSwaggerSplitView, SpectacularYAMLAPIView
from rest_framework.decorators import api_view, authentication_classes, permission_classes
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.health import health
from config.api.kinds import BY_CODE


@extend_schema(exclude=True)
@api_view(["GET"])
@authentication_classes([])
@permission_classes([AllowAny])
def problem_kind(request: Request, kind: str) -> Response:
    """What a problem ``type`` means, at its own address. Rules of the work say the rest in their ``detail``."""
    known = BY_CODE.get(kind)
    if known is None and not kind.islower():
        raise Http404
    broken = BY_CODE["rule-broken"]
    title = known.title if known else kind.replace("-", " ").capitalize()
    about = {"type": f"/api/problems/{kind}", "title": title, "meaning": (known or broken).meaning}
    return Response(about | ({"status": known.status} if known else {}))


open_to_all = {"permission_classes": [AllowAny], "authentication_classes": []}
docs: dict[str, Any] = {
    "url_name": "openapi",
    "template_name": "api_docs.html",  # without styles and scripts in the page itself
    "http_method_names": ["get", "head"],  # a page has no OPTIONS to render
}

urlpatterns = [
    path("health", health, name="health"),
    path("problems/<slug:kind>", problem_kind, name="problem-kind"),
    path("v1/openapi.json", SpectacularJSONAPIView.as_view(**open_to_all), name="openapi"),
    path("v1/openapi.yaml", SpectacularYAMLAPIView.as_view(**open_to_all), name="openapi-yaml"),
    path("docs/", SpectacularSwaggerSplitView.as_view(**docs | open_to_all), name="api-docs"),
]
