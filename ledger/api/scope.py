"""One base for every view and every reference in a body: another establishment's rows do not exist (D19)."""

from typing import Any, ClassVar

from django.db import models
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers
from rest_framework.generics import GenericAPIView
from rest_framework.request import Request

from config.api.refusals import NotAllowed, Unknown
from ledger import looks
from ledger.api.authentication import Standing, standing_at
from ledger.models import Establishment, Person, Role
from ledger.prepared import Given, Prepared

ANY_ROLE = frozenset(Role.values)
WORKERS = frozenset({Role.OPERATOR, Role.SUPERVISOR, Role.FOOD_SAFETY_LEAD, Role.ADMINISTRATOR})
DECIDERS = frozenset({Role.FOOD_SAFETY_LEAD})
NOT_FOR_INSPECTORS = (
    "An entrance opens the documents made for outside and the list of what there is. Ask the house for a document of this, "
    "or for its look. Nothing was shown."
)
PLANNERS = frozenset({Role.FOOD_SAFETY_LEAD, Role.ADMINISTRATOR})
ADMINISTRATORS = frozenset({Role.ADMINISTRATOR})


class Scoped(GenericAPIView):
    """A view below ``/establishments/{establishment}/``.

    ``read_roles`` may read; ``write_roles`` may post. ``queryset`` is narrowed to the establishment by
    ``scope_by`` (the path from the model to its establishment). An inspector reads only what names ``ANY_ROLE``; of who was let
    in by an entrance each answer is noted before it is sent.
    """

    scope_by: ClassVar[str] = "establishment"
    read_roles: ClassVar[frozenset[str]] = WORKERS
    write_roles: ClassVar[frozenset[str]] = WORKERS
    standing: Standing

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        self.standing = standing_at(request.user, request.auth, kwargs["establishment"])
        allowed = self.read_roles if request.method in ("GET", "HEAD", "OPTIONS") else self.write_roles
        if not self.standing.roles & allowed:
            if self.standing.entrance:
                raise NotAllowed(NOT_FOR_INSPECTORS, code="not-for-inspectors")
            named = ", ".join(sorted(allowed))
            raise NotAllowed(f"This needs one of these roles here: {named}. Nothing was written.")

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Any:
        answer = super().finalize_response(request, response, *args, **kwargs)
        standing: Standing | None = getattr(self, "standing", None)
        if standing and standing.entrance:
            looks.note(standing.entrance, request._request, answer.status_code, **self.looked_at())
        return answer

    def looked_at(self) -> dict[str, Any]:
        """What the list of looks says of it, beside the route."""
        return {"subject": self.kwargs.get("pk")}

    @property
    def establishment(self) -> Establishment:
        return self.standing.establishment

    def get_queryset(self) -> models.QuerySet[Any]:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False):
            return queryset.none()
        return queryset.filter(**{self.scope_by: self.establishment})

    def get_serializer_context(self) -> dict[str, Any]:
        context = super().get_serializer_context()
        if not getattr(self, "swagger_fake_view", False):
            context["establishment"] = self.establishment
        return context


@extend_schema_field(OpenApiTypes.UUID)
class ScopedReference(serializers.RelatedField):
    """A reference in a body, by uuid: looked up in the establishment only; anything else is not found (404)."""

    def __init__(self, *, slug: str = "pk", scope_by: str = "establishment", **kwargs: Any):
        self.slug, self.scope_by = slug, scope_by
        self.wire = serializers.UUIDField()
        self.asked = Prepared(self._asked)
        super().__init__(**kwargs)

    def use_pk_only_optimization(self) -> bool:
        return self.slug == "pk"

    def to_internal_value(self, data: Any) -> Any:
        key = self.wire.run_validation(data)
        seen = self.context.get("seen", {})  # a bulk post asks once for what many of its items name
        # Another field may take fewer rows of the same model.
        place = (self.queryset, self.slug, self.scope_by, key)
        if place not in seen:
            seen[place] = self.find(key)
        if seen[place] is None:
            kind = self.get_queryset().model._meta.verbose_name
            raise Unknown(f"There is no such {kind} here: {key}.", field=self.path)
        return seen[place]

    def find(self, key: Any) -> Any:
        found = self.asked.rows(here=self.context["establishment"].pk, key=key)
        return found[0] if found else None

    def _asked(self) -> models.QuerySet[Any]:
        here, key = Given("here", models.UUIDField()), Given("key", models.UUIDField())
        return self.get_queryset().filter(**{f"{self.scope_by}_id": here, self.slug: key}).order_by()

    def to_representation(self, value: Any) -> str:
        return str(getattr(value, self.slug))

    @property
    def path(self) -> str:
        """Where in the body this stands, as a dotted path."""
        names: list[str] = []
        field: Any = self
        while field is not None:
            names += [field.field_name] if field.field_name else []  # an item of a list has none
            field = field.parent
        return ".".join(reversed(names))


EVERYBODY = Person.objects.all()


@extend_schema_field(OpenApiTypes.UUID)
class PersonReference(ScopedReference):
    """A person who belongs here."""

    def __init__(self, **kwargs: Any):
        kwargs.setdefault("queryset", EVERYBODY)
        super().__init__(scope_by="memberships__establishment", **kwargs)
