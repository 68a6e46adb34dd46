from django.urls import path

from haccp.api import contact_assessments, ingredient_lists, labels, lot_labels, packing, sale_signs

HERE = "establishments/<uuid:establishment>/"
LABEL = f"{HERE}labels/<uuid:pk>"
VERSION = f"{HERE}label-versions/<uuid:pk>"
PACKING = f"{HERE}packing-checks"
ASSESSMENTS = f"{HERE}contact-assessments"

urlpatterns = [
    path(f"{HERE}labels", labels.Labels.as_view(), name="labels"),
    path(LABEL, labels.OneLabel.as_view(), name="label"),
    path(f"{LABEL}/versions", labels.LabelVersions.as_view(), name="label-versions"),
    path(f"{LABEL}/differences", ingredient_lists.LabelDifferences.as_view(), name="label-differences"),
    path(VERSION, labels.OneLabelVersion.as_view(), name="label-version"),
    path(
        f"{VERSION}/differences",
        ingredient_lists.LabelVersionDifferences.as_view(),
        name="label-version-differences",
    ),
    path(
        f"{HERE}recipe-versions/<uuid:pk>/ingredients",
        ingredient_lists.RecipeIngredients.as_view(),
        name="recipe-ingredients",
    ),
    path(f"{HERE}stated-parts", ingredient_lists.AllStatedParts.as_view(), name="all-stated-parts"),
    path(f"{HERE}stated-parts/<uuid:pk>", ingredient_lists.OneStatedParts.as_view(), name="stated-parts"),
    path(f"{HERE}lots/<uuid:uid>/label", lot_labels.LotLabel.as_view(), name="lot-label"),
    path(f"{HERE}materials/<uuid:pk>/sale-sign", sale_signs.SaleSign.as_view(), name="sale-sign"),
    path(f"{HERE}batches/<uuid:uid>/packing-due", packing.PackingDues.as_view(), name="batch-packing-due"),
    path(PACKING, packing.PackingChecks.as_view(), name="packing-checks"),
    path(f"{PACKING}/withdrawn", packing.WithdrawnPackingChecks.as_view(), name="packing-checks-withdrawn"),
    path(f"{PACKING}/<uuid:pk>", packing.OnePackingCheck.as_view(), name="packing-check"),
    path(ASSESSMENTS, contact_assessments.ContactAssessments.as_view(), name="contact-assessments"),
    path(
        f"{ASSESSMENTS}/withdrawn",
        contact_assessments.WithdrawnContactAssessments.as_view(),
        name="contact-assessments-withdrawn",
    ),
    path(
        f"{ASSESSMENTS}/<uuid:pk>",
        contact_assessments.OneContactAssessment.as_view(),
        name="contact-assessment",
    ),
]
