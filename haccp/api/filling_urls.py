from django.urls import path

from haccp.api import compositions

HERE = "establishments/<uuid:establishment>/"

urlpatterns = [
    path(f"{HERE}compositions", compositions.Compositions.as_view(), name="compositions"),
    path(f"{HERE}compositions/<uuid:pk>", compositions.OneComposition.as_view(), name="composition"),
]
