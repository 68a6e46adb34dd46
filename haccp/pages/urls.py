from django.urls import path

from haccp.pages import codes, inspections, required_parts

urlpatterns = [
    path("at/<uuid:establishment>/scan", codes.scan, name="scan-page"),
    path("at/<uuid:establishment>/required-parts", required_parts.required_parts, name="required-parts-page"),
    path("at/<uuid:establishment>/inspections", inspections.all_of_them, name="inspections-page"),
    path("at/<uuid:establishment>/inspections/<uuid:pk>", inspections.one, name="inspection-page"),
    path("at/<uuid:establishment>/<path:rest>", codes.at_address, name="at-address"),
]
