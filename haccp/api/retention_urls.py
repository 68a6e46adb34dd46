from django.urls import path

from haccp.api import retention

HERE = "establishments/<uuid:establishment>/"

urlpatterns = [
    path(f"{HERE}retention", retention.Retention.as_view(), name="retention"),
    path(f"{HERE}retention/markets", retention.RetentionMarkets.as_view(), name="retention-markets"),
    path(f"{HERE}retention/periods", retention.RetentionPeriods.as_view(), name="retention-periods"),
    path(f"{HERE}retention/holds", retention.LegalHolds.as_view(), name="legal-holds"),
    path(f"{HERE}retention/taken-back", retention.WordsTakenBack.as_view(), name="retention-taken-back"),
    path(f"{HERE}archives", retention.Archives.as_view(), name="archives"),
]
