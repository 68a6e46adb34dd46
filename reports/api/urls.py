from django.urls import path

from reports.api import documents

HERE = "establishments/<uuid:establishment>/"

urlpatterns = [
    path(f"{HERE}documents", documents.Documents.as_view(), name="documents"),
    path(f"{HERE}documents/<uuid:pk>", documents.OneDocument.as_view(), name="document"),
    *(
        path(
            f"{HERE}documents/<uuid:pk>/file.{form}",
            documents.DocumentFile.as_view(),
            {"form": form},
            name=f"document-{form}",
        )
        for form in documents.MEDIA
    ),
]
