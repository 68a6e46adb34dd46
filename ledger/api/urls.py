from django.urls import path

from ledger.api import disclosures, entrances, entries, establishments, keys, people, signing_keys

HERE = "establishments/<uuid:establishment>/"

urlpatterns = [
    path("keys", keys.SignIn.as_view(), name="sign-in-for-key"),
    path("me", establishments.Me.as_view(), name="me"),
    path(HERE, establishments.EstablishmentView.as_view(), name="establishment"),
    path(f"{HERE}people", people.People.as_view(), name="people"),
    path(f"{HERE}people/<uuid:pk>/password", people.PersonPassword.as_view(), name="person-password"),
    path(f"{HERE}people/<uuid:pk>/inactive", people.PersonInactive.as_view(), name="person-inactive"),
    path(f"{HERE}people/<uuid:pk>/active", people.PersonActive.as_view(), name="person-active"),
    path(f"{HERE}roles", people.Roles.as_view(), name="roles"),
    path(f"{HERE}roles/<uuid:pk>", people.OneRole.as_view(), name="role"),
    path(f"{HERE}qualifications", people.Qualifications.as_view(), name="qualifications"),
    path(f"{HERE}keys", keys.Keys.as_view(), name="keys"),
    path(f"{HERE}keys/<uuid:pk>/revoke", keys.RevokeKey.as_view(), name="revoke-key"),
    path(f"{HERE}records/<uuid:pk>", entries.AnyRecord.as_view(), name="record"),
    path(f"{HERE}records/<uuid:pk>/evidence", entries.RecordEvidence.as_view(), name="record-evidence"),
    path(f"{HERE}signatures", entries.Signatures.as_view(), name="signatures"),
    path(f"{HERE}attachments", entries.Attachments.as_view(), name="attachments"),
    path(f"{HERE}attachments/<uuid:pk>/file", entries.AttachmentFile.as_view(), name="attachment-file"),
    path(f"{HERE}changes", entries.Changes.as_view(), name="changes"),
    path(f"{HERE}seals", entries.Seals.as_view(), name="seals"),
    path(f"{HERE}disclosures", disclosures.Disclosures.as_view(), name="disclosures"),
    path(f"{HERE}disclosures/taken-back", disclosures.TakenBack.as_view(), name="disclosures-taken-back"),
    path(f"{HERE}entrances", entrances.Entrances.as_view(), name="entrances"),
    path(f"{HERE}entrances/revoked", entrances.EntrancesRevoked.as_view(), name="entrances-revoked"),
    path(f"{HERE}looks", entrances.Looks.as_view(), name="looks"),
    path(f"{HERE}signing-keys", signing_keys.SigningKeys.as_view(), name="signing-keys"),
]
