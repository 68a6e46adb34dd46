from django.urls import path

from batches.api import batches, recipes, reference, rework, sheets
from batches.reference import KINDS

HERE = "establishments/<uuid:establishment>/"
BATCH = f"{HERE}batches/<uuid:uid>"
VERSION = f"{HERE}recipe-versions/<uuid:pk>"

urlpatterns = [
    path(f"{HERE}recipes", recipes.Recipes.as_view(), name="recipes"),
    path(f"{HERE}recipes/<uuid:pk>", recipes.OneRecipe.as_view(), name="recipe"),
    path(f"{HERE}recipes/<uuid:pk>/versions", recipes.RecipeVersions.as_view(), name="recipe-versions"),
    path(VERSION, recipes.OneRecipeVersion.as_view(), name="recipe-version"),
    path(f"{VERSION}/targets", recipes.Targets.as_view(), name="recipe-targets"),
    path(f"{HERE}occupations", batches.Occupations.as_view(), name="occupations"),
    path(BATCH, batches.OneBatch.as_view(), name="batch"),
    path(f"{BATCH}/sheet", sheets.Sheet.as_view(), name="batch-sheet"),
    path(f"{BATCH}/rework", rework.BatchRework.as_view(), name="batch-rework"),
    path(f"{BATCH}/starts", batches.Starts.as_view(), name="batch-starts"),
    path(f"{BATCH}/parts", batches.Parts.as_view(), name="batch-parts"),
    path(f"{BATCH}/end", batches.End.as_view(), name="batch-end"),
    path(f"{BATCH}/equipment", batches.EquipmentUses.as_view(), name="batch-equipment"),
    path(f"{BATCH}/steps", batches.Steps.as_view(), name="batch-steps"),
    path(f"{BATCH}/quality-readings", batches.QualityReadings.as_view(), name="batch-quality"),
    path(f"{BATCH}/trim", batches.Trim.as_view(), name="batch-trim"),
    path(f"{BATCH}/weighed-apart", batches.Apart.as_view(), name="batch-weighed-apart"),
    path(f"{BATCH}/withdrawn", batches.Withdrawn.as_view(), name="batch-withdrawn"),
]
for name, kind in KINDS.items():
    several, one = reference.views_of(kind)
    urlpatterns += [
        path(f"{HERE}{name}", several.as_view(), name=name),
        path(f"{HERE}{name}/<uuid:pk>", one.as_view(), name=f"one-{name}"),
    ]
