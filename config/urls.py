from django.urls import include, path

urlpatterns = [
    path("api/", include("config.api.urls")),
    path("api/v1/", include("ledger.api.urls")),
    path("api/v1/", include("batches.api.urls")),
    path("api/v1/", include("haccp.api.urls")),
    path("api/v1/", include("reports.api.urls")),
    path("", include("ledger.pages.urls")),
    path(
        "", include("reports.pages.urls")
    ),  # before the addresses of lots, which take whatever is below a house
    path("", include("haccp.pages.urls")),
]
