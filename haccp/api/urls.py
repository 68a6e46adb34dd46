from haccp.api import (
    allergen_urls,
    changeover_urls,
    filling_urls,
    inspection_urls,
    judging_urls,
    label_urls,
    planning_urls,
    question_urls,
    recall_urls,
    retention_urls,
)

urlpatterns = [
    *planning_urls.urlpatterns,
    *judging_urls.urlpatterns,
    *filling_urls.urlpatterns,
    *question_urls.urlpatterns,
    *allergen_urls.urlpatterns,
    *label_urls.urlpatterns,
    *changeover_urls.urlpatterns,
    *recall_urls.urlpatterns,
    *retention_urls.urlpatterns,
    *inspection_urls.urlpatterns,
]
