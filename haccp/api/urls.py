from haccp.api import filling_urls, judging_urls, planning_urls

urlpatterns = [*planning_urls.urlpatterns, *judging_urls.urlpatterns, *filling_urls.urlpatterns]
