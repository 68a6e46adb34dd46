from django.urls import path

from ledger.pages import entrances, signing_in

urlpatterns = [
    path("", signing_in.home, name="home"),
    path("sign-in", signing_in.sign_in, name="sign-in"),
    path("sign-out", signing_in.sign_out, name="sign-out"),
    path("password", signing_in.password, name="password"),
    path("at/<uuid:establishment>/entrances", entrances.index, name="entrances-page"),
    path("at/<uuid:establishment>/entrances/<uuid:pk>/revoke", entrances.revoke, name="entrance-revoke"),
]
