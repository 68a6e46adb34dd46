from django.urls import include, path

handler400 = "config.api.problems.bad_request"
handler403 = "config.api.problems.permission_denied"
handler404 = "config.api.problems.not_found"

urlpatterns = [
    path("api/", include("config.api.urls")),
    path("api/v1/", include("ledger.api.urls")),
    path("api/v1/", include("batches.api.urls")),
    path("api/v1/", include("haccp.api.urls")),
    path("api/v1/", include("reports.api.urls")),
]
