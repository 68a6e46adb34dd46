from haccp.api import judging_urls, planning_urls

urlpatterns = [*planning_urls.urlpatterns, *judging_urls.urlpatterns]
