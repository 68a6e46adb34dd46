from django.urls import path

from haccp.api import allergen_contents, allergen_lists, allergen_statements

HERE = "establishments/<uuid:establishment>/"
STATEMENTS = f"{HERE}allergen-statements"
LISTS = f"{HERE}allergen-lists"

urlpatterns = [
    path(f"{HERE}lots/<uuid:uid>/allergens", allergen_contents.LotAllergens.as_view(), name="lot-allergens"),
    path(
        f"{HERE}recipe-versions/<uuid:pk>/allergens",
        allergen_contents.RecipeAllergens.as_view(),
        name="recipe-allergens",
    ),
    path(LISTS, allergen_lists.AllergenLists.as_view(), name="allergen-lists"),
    path(
        f"{LISTS}/from-file", allergen_lists.AllergenListFromFile.as_view(), name="allergen-lists-from-file"
    ),
    path(f"{LISTS}/<uuid:pk>", allergen_lists.OneAllergenList.as_view(), name="allergen-list"),
    path(
        f"{LISTS}/<uuid:pk>/confirmation",
        allergen_lists.ConfirmAllergenList.as_view(),
        name="allergen-list-confirmation",
    ),
    path(STATEMENTS, allergen_statements.AllergenStatements.as_view(), name="allergen-statements"),
    path(
        f"{STATEMENTS}/withdrawn",
        allergen_statements.WithdrawnAllergenStatements.as_view(),
        name="allergen-statements-withdrawn",
    ),
    path(
        f"{STATEMENTS}/<uuid:pk>",
        allergen_statements.OneAllergenStatement.as_view(),
        name="allergen-statement",
    ),
]
