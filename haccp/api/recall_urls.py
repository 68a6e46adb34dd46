from django.urls import path

from haccp.api import recalls

HERE = "establishments/<uuid:establishment>/"
ONE = f"{HERE}recalls/<uuid:pk>"

urlpatterns = [
    path(f"{HERE}recalls", recalls.Recalls.as_view(), name="recalls"),
    path(f"{ONE}/strategies", recalls.Strategies.as_view(), name="recall-strategies"),
    path(f"{ONE}/scopes", recalls.Scopes.as_view(), name="recall-scopes"),
    path(f"{ONE}/exclusions", recalls.Exclusions.as_view(), name="recall-exclusions"),
    path(f"{ONE}/notices", recalls.RecallNotices.as_view(), name="recall-notices"),
    path(f"{ONE}/answers", recalls.RecallAnswers.as_view(), name="recall-answers"),
    path(f"{ONE}/end", recalls.RecallEnds.as_view(), name="recall-end"),
    path(f"{ONE}/status", recalls.RecallStatus.as_view(), name="recall-status"),
]
