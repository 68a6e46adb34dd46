from django.urls import path

from haccp.pages import codes

urlpatterns = [
    path("at/<uuid:establishment>/scan", codes.scan, name="scan-page"),
    path("at/<uuid:establishment>/<path:rest>", codes.at_address, name="at-address"),
]
