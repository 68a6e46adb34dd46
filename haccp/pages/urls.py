from django.urls import path

from haccp.pages import codes, required_parts

urlpatterns = [
    path("at/<uuid:establishment>/scan", codes.scan, name="scan-page"),
    path("at/<uuid:establishment>/required-parts", required_parts.required_parts, name="required-parts-page"),
    path("at/<uuid:establishment>/<path:rest>", codes.at_address, name="at-address"),
]
