from batches.api import making_urls, material_urls

urlpatterns = [*material_urls.urlpatterns, *making_urls.urlpatterns]
