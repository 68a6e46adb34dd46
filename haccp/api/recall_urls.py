from django.urls import path

from haccp.api import (
    buyers,
    recall_arrivals,
    recall_plans,
    recall_questions,
    recall_status,
    recall_telling,
    recalls,
)

HERE = "establishments/<uuid:establishment>/"
ONE = f"{HERE}recalls/<uuid:pk>"
ASKED = f"{HERE}recall-questions"
ARRIVED = f"{HERE}notices-arrived"

urlpatterns = [
    path(f"{HERE}recall-plans", recall_plans.RecallPlans.as_view(), name="recall-plans"),
    path(f"{HERE}buyers-forgotten", buyers.BuyersForgotten.as_view(), name="buyers-forgotten"),
    path(f"{HERE}recalls", recalls.Recalls.as_view(), name="recalls"),
    path(f"{ONE}/strategies", recalls.Strategies.as_view(), name="recall-strategies"),
    path(f"{ONE}/scopes", recalls.Scopes.as_view(), name="recall-scopes"),
    path(f"{ONE}/exclusions", recalls.Exclusions.as_view(), name="recall-exclusions"),
    path(f"{ONE}/notices", recall_telling.RecallNotices.as_view(), name="recall-notices"),
    path(f"{ONE}/published", recall_telling.NoticesPublished.as_view(), name="recall-published"),
    path(f"{ONE}/answers", recall_telling.RecallAnswers.as_view(), name="recall-answers"),
    path(f"{ONE}/end", recalls.RecallEnds.as_view(), name="recall-end"),
    path(f"{ONE}/status", recall_status.RecallStatus.as_view(), name="recall-status"),
    path(ARRIVED, recall_arrivals.NoticesArrived.as_view(), name="notices-arrived"),
    path(f"{ARRIVED}/<uuid:pk>/figures", recall_arrivals.NoticeFigures.as_view(), name="notice-figures"),
    path(
        f"{ARRIVED}/<uuid:pk>/figures.csv",
        recall_arrivals.NoticeFiguresAsCsv.as_view(),
        name="notice-figures-csv",
    ),
    path(f"{ARRIVED}/<uuid:pk>/replies", recall_arrivals.NoticeReplies.as_view(), name="notice-replies"),
    path(f"{ARRIVED}/<uuid:pk>/recalls", recall_arrivals.NoticeRecalls.as_view(), name="notice-recalls"),
    path(ASKED, recall_questions.RecallQuestions.as_view(), name="recall-questions"),
    path(f"{ASKED}/<uuid:pk>", recall_questions.OneRecallQuestion.as_view(), name="recall-question"),
    path(f"{ASKED}/<uuid:pk>/verdicts", recall_questions.RecallVerdicts.as_view(), name="recall-verdicts"),
]
