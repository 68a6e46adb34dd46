from django.urls import path

from reports.api import documents, exchange, inspection_changes, looks, open_records, tags, traces

HERE = "establishments/<uuid:establishment>/"

urlpatterns = [
    path(f"{HERE}lots/<uuid:uid>/tub-label.svg", tags.TubLabel.as_view(), name="tub-label"),
    path(f"{HERE}lots/<uuid:uid>/label.svg", tags.LotLabel.as_view(), name="lot-label"),
    path(f"{HERE}lots/<uuid:uid>/hold-tag.svg", tags.HoldTag.as_view(), name="hold-tag"),
    path(f"{HERE}movements/<uuid:pk>/sample-label.svg", tags.SampleLabel.as_view(), name="sample-label"),
    path(f"{HERE}traces/picture.svg", traces.TracePicture.as_view(), name="trace-picture"),
    path(f"{HERE}traces/table.txt", traces.TraceTable.as_view(), name="trace-table"),
    path(f"{HERE}traces/movements.csv", exchange.TraceAsCsv.as_view(), name="trace-csv"),
    path(f"{HERE}traces/movements.xlsx", exchange.TraceAsWorkbook.as_view(), name="trace-xlsx"),
    path(f"{HERE}traces/events.jsonld", exchange.TraceAsEvents.as_view(), name="trace-events"),
    path(f"{HERE}movements.csv", exchange.MovementsAsCsv.as_view(), name="movements-csv"),
    path(f"{HERE}movements.xlsx", exchange.MovementsAsWorkbook.as_view(), name="movements-xlsx"),
    path(f"{HERE}events.jsonld", exchange.MovementsAsEvents.as_view(), name="movements-events"),
    path(f"{HERE}looks.csv", looks.LooksAsCsv.as_view(), name="looks-csv"),
    path(f"{HERE}open-records", open_records.OpenRecords.as_view(), name="open-records-data"),
    path(f"{HERE}documents", documents.Documents.as_view(), name="documents"),
    path(f"{HERE}documents/<uuid:pk>", documents.OneDocument.as_view(), name="document"),
    path(
        f"{HERE}documents/<uuid:pk>/changes",
        inspection_changes.InspectionFileChanges.as_view(),
        name="inspection-file-changes",
    ),
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
