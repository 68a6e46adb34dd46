from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, status
from rest_framework.request import Request
from rest_framework.response import Response

from config.api.bodies import BodySerializer
from config.api.etags import answer_unless_known, answer_with_etag, version_sent
from config.api.examples import ID, PASSWORD, WHEN, example
from config.api.refusals import Unknown
from ledger import people
from ledger.acts import Act
from ledger.api.records import RecordSerializer, RecordView, WhyField, act_of
from ledger.api.scope import ADMINISTRATORS, PLANNERS, PersonReference, Scoped
from ledger.models import Membership, Person, Qualification, Record, Role
from ledger.signatures import prove


class PersonSerializer(BodySerializer):
    id = serializers.UUIDField(required=False)
    sign_in_name = serializers.CharField(max_length=60)
    name = serializers.CharField(max_length=120)
    initials = serializers.CharField(max_length=6)
    email = serializers.EmailField(required=False, allow_blank=True, default="")
    password = serializers.CharField(
        max_length=200,
        trim_whitespace=False,
        write_only=True,
        help_text="Of a repeat it is neither compared nor set: the one that was sent first stays.",
    )
    is_active = serializers.BooleanField(read_only=True)
    roles = serializers.SerializerMethodField()

    def get_roles(self, person: Person) -> list[str]:
        here = self.context["establishment"].pk
        return sorted(row.role for row in person.memberships.all() if row.establishment_id == here)


@example(
    sign_in_name="nina",
    name="Nina New",
    initials="NN",
    password=PASSWORD,
    role="operator",
    from_day="2026-03-02",
)
class NewPersonSerializer(PersonSerializer):
    role = serializers.ChoiceField(choices=Role.choices, write_only=True)
    from_day = serializers.DateField(write_only=True)


class People(mixins.ListModelMixin, Scoped):
    """Who belongs here. A new person comes with a first role."""

    serializer_class = NewPersonSerializer
    queryset = Person.objects.prefetch_related("memberships").distinct()
    scope_by = "memberships__establishment"
    write_roles = ADMINISTRATORS
    ordering = ("-id",)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        role, from_day = values.pop("role"), values.pop("from_day")
        act = act_of(self, request, {"id": values.pop("id")} if "id" in values else {})
        person = people.add_member(act=act, role=role, from_day=from_day, **values)
        code = status.HTTP_200_OK if person.repeated else status.HTTP_201_CREATED
        return Response(self.get_serializer(person).data, status=code)


@example(person=ID, role="supervisor", from_day="2026-03-02", note="Leads the second shift.")
class RoleSerializer(BodySerializer):
    id = serializers.UUIDField(required=False)
    person = PersonReference()
    role = serializers.ChoiceField(choices=Role.choices)
    from_day = serializers.DateField()
    until_day = serializers.DateField(
        required=False,
        allow_null=True,
        default=None,
        help_text="The first day on which it is no longer held.",
    )
    note = WhyField()
    version = serializers.IntegerField(read_only=True)


class Roles(mixins.ListModelMixin, Scoped):
    """Which person has which role here, and from when until when."""

    serializer_class = RoleSerializer
    queryset = Membership.objects.select_related("person")
    write_roles = ADMINISTRATORS
    ordering = ("-id",)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        act = act_of(self, request, values)
        row = people.give_role(act=act, **values)
        code = status.HTTP_200_OK if row.repeated else status.HTTP_201_CREATED
        return Response(self.get_serializer(row).data, status=code)


@example(until_day="2026-12-31", note="Moves to another firm.")
class RoleDaysSerializer(RoleSerializer):
    person = PersonReference(read_only=True, queryset=None)
    role = serializers.CharField(read_only=True)


class OneRole(Scoped):
    """Change from when until when a role is held; it ends by a day, never by removal."""

    serializer_class = RoleDaysSerializer
    queryset = Membership.objects.select_related("person")
    write_roles = ADMINISTRATORS

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row = self.get_object()
        return answer_unless_known(request, self.get_serializer(row).data, row)

    def patch(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        row = self.get_object()
        expected = version_sent(request, row)
        serializer = self.get_serializer(row, data=request.data, partial=True)
        serializer.is_valid(raise_exception=True)
        values = dict(serializer.validated_data)
        values.pop("id", None)
        changed = people.change_days(
            act=act_of(self, request, values), held=row, values=values, expected_version=expected
        )
        return answer_with_etag(self.get_serializer(changed).data, changed)


@example(note="Left the firm.")
class InactiveSerializer(BodySerializer):
    note = WhyField(required=True, allow_blank=False)


class PersonInactive(Scoped):
    """Let a person sign in no more; their keys and sessions end. What they recorded stays theirs.

    Who belongs elsewhere too is made inactive by somebody who administers every place; else end their roles here.
    """

    serializer_class = PersonSerializer
    queryset = People.queryset
    scope_by = "memberships__establishment"
    write_roles = ADMINISTRATORS

    @extend_schema(request=InactiveSerializer, responses={200: PersonSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        said = InactiveSerializer(data=request.data)
        said.is_valid(raise_exception=True)
        act = act_of(self, request, dict(said.validated_data))
        person = people.make_inactive(act=act, person=self.get_object())
        return Response(self.get_serializer(person).data)


@example(password=PASSWORD, new_password="another-one-only-you-know")
class PasswordSerializer(BodySerializer):
    password = serializers.CharField(
        max_length=200,
        trim_whitespace=False,
        write_only=True,
        help_text="The present one of who asks, so that a key alone never makes somebody a signer.",
    )
    new_password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)


@example(note="Came back.", password=PASSWORD, new_password="one-they-will-change-at-once")
class ActiveSerializer(PasswordSerializer):
    note = WhyField(required=True, allow_blank=False)


class PersonActive(Scoped):
    """Let somebody who was made inactive sign in again, with a new password; their keys stay ended.

    By who administers every place where the person ever had a role.
    """

    serializer_class = PersonSerializer
    queryset = People.queryset
    scope_by = "memberships__establishment"
    write_roles = ADMINISTRATORS

    @extend_schema(request=ActiveSerializer, responses={200: PersonSerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        said = ActiveSerializer(data=request.data)
        said.is_valid(raise_exception=True)
        values = dict(said.validated_data)
        person, act = self.get_object(), act_of(self, request, {"note": values["note"]})
        prove(request=request._request, person=act.recorded_by, password=values["password"])
        person = people.make_active(act=act, person=person, password=values["new_password"])
        return Response(self.get_serializer(person).data)


class PersonPassword(Scoped):
    """Set a password: one's own, or as administrator that of somebody who belongs only here."""

    serializer_class = PasswordSerializer
    queryset = Person.objects.all()
    scope_by = "memberships__establishment"

    @extend_schema(responses={204: None})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        person = self.get_queryset().distinct().filter(pk=kwargs["pk"]).first()
        if person is None or (person.pk != request.user.pk and not self.standing.roles & ADMINISTRATORS):
            raise Unknown("There is no such person whose password you may set.")
        act, values = act_of(self, request, {}), serializer.validated_data
        prove(request=request._request, person=act.recorded_by, password=values["password"])
        people.change_password(act=act, person=person, password=values["new_password"])
        return Response(status=status.HTTP_204_NO_CONTENT)


@example(
    performed_at=WHEN,
    person=ID,
    title="Preventive controls, two-day course",
    covers_plans=True,
    evidence="Certificate 117/26, copy in the office",
    issued_by="Training house North",
    valid_from="2026-03-02",
    valid_until="2029-03-02",
)
class QualificationSerializer(RecordSerializer):
    person = PersonReference()
    title = serializers.CharField(max_length=200)
    covers_plans = serializers.BooleanField(help_text="Entitles to approve hazard plans and review records.")
    evidence = serializers.CharField(max_length=2000)
    issued_by = serializers.CharField(max_length=200)
    valid_from = serializers.DateField()
    valid_until = serializers.DateField(
        required=False, allow_null=True, default=None, help_text="The first day on which it no longer holds."
    )


class Qualifications(RecordView):
    """What people are qualified for, with evidence and dates."""

    serializer_class = QualificationSerializer
    queryset = Qualification.objects.select_related("establishment", "person", "performed_by")
    write_roles = PLANNERS

    def deed(self, act: Act, **values: Any) -> Record:
        return people.qualify(act=act, **values)
