from django.urls import path

from reports.api.documents import MEDIA
from reports.pages import checking, looks, numbered, open_records

urlpatterns = [
    path("at/<uuid:establishment>/looks", looks.looked, name="looks-page"),
    path("at/<uuid:establishment>/looks.csv", looks.as_csv, name="looks-page-csv"),
    path("at/<uuid:establishment>/documents/<int:number>", numbered.paper, name="document-by-number"),
    path("at/<uuid:establishment>/check", checking.check, name="check-document"),
    path("at/<uuid:establishment>/open-records", open_records.index, name="open-records"),
    path("at/<uuid:establishment>/open-records/ask", open_records.ask, name="open-records-ask"),
    *(
        path(
            f"at/<uuid:establishment>/open-records/<uuid:pk>/file.{form}",
            open_records.file,
            {"form": form},
            name=f"open-records-{form}",
        )
        for form in MEDIA
    ),
]
