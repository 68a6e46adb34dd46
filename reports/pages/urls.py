from django.urls import path

from reports.pages import checking

urlpatterns = [path("at/<uuid:establishment>/check", checking.check, name="check-document")]
