from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, status
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from config.api.bodies import BodySerializer
from config.api.examples import ID, PASSWORD, example
from ledger import looks, people
from ledger.acts import Act, Moment
from ledger.api.authentication import standing_at
from ledger.api.records import act_of
from ledger.api.scope import ADMINISTRATORS, Scoped
from ledger.models import Person, Token
from ledger.passwords import WrongPassword, person_who_knows
from ledger.signatures import prove


@example(sign_in_name="nina", password=PASSWORD, establishment=ID, label="Tablet at the stove", days=30)
class SignInSerializer(BodySerializer):
    sign_in_name = serializers.CharField(max_length=60)
    password = serializers.CharField(max_length=200, trim_whitespace=False, write_only=True)
    establishment = serializers.UUIDField(help_text="Where the key is for.")
    label = serializers.CharField(max_length=80, help_text="Which device or program will use it.")
    days = serializers.IntegerField(min_value=1, max_value=people.LONGEST_TOKEN.days, default=30)


@example(label="Tablet at the stove", days=30, password=PASSWORD)
class KeySerializer(BodySerializer):
    id = serializers.UUIDField(read_only=True)
    person = serializers.UUIDField(source="person_id", read_only=True)
    label = serializers.CharField(max_length=80)
    days = serializers.IntegerField(min_value=1, max_value=people.LONGEST_TOKEN.days, write_only=True)
    password = serializers.CharField(
        max_length=200,
        trim_whitespace=False,
        write_only=True,
        help_text="One's own, so that a key that was lost cannot prolong itself.",
    )
    made_at = serializers.DateTimeField(read_only=True)
    ends_at = serializers.DateTimeField(read_only=True)
    revoked_at = serializers.DateTimeField(read_only=True, allow_null=True)


class NewKeySerializer(KeySerializer):
    key = serializers.CharField(read_only=True, help_text="Shown once; only its hash is kept.")


class SignIn(APIView):
    """Get a key by sign-in name and password. Five wrong tries wait five minutes, for this person and address."""

    authentication_classes: list[Any] = []
    permission_classes = [AllowAny]

    def get_authenticate_header(self, request: Request) -> str:
        return "Bearer"  # so that a wrong password answers 401

    @extend_schema(request=SignInSerializer, responses={201: NewKeySerializer})
    def post(self, request: Request) -> Response:
        serializer = SignInSerializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        values = serializer.validated_data
        person = _signed_in(request, values["sign_in_name"], values["password"])
        at = standing_at(person, None, values["establishment"])
        here = at.establishment
        act = Act(establishment=here, performed_by=person, performed=Moment.now(here), recorded_by=person)
        token, key = people.give_token(act=act, person=person, label=values["label"], days=values["days"])
        if at.entrance:
            looks.note(at.entrance, request._request, status.HTTP_201_CREATED)
        return _shown_once(token, key)


def _signed_in(request: Request, sign_in_name: str, password: str) -> Person:
    try:
        return person_who_knows(request=request._request, sign_in_name=sign_in_name, password=password)
    except WrongPassword as refusal:
        raise AuthenticationFailed("Sign-in name or password is not right.") from refusal


def _shown_once(token: Token, key: str) -> Response:
    token.key = key  # type: ignore[attr-defined]
    return Response(NewKeySerializer(token).data, status=status.HTTP_201_CREATED)


class Keys(mixins.ListModelMixin, Scoped):
    """One's own keys at this establishment; an administrator sees all."""

    serializer_class = KeySerializer
    queryset = Token.objects.all()
    ordering = ("-made_at", "-id")

    def get_queryset(self) -> Any:
        queryset = super().get_queryset()
        if getattr(self, "swagger_fake_view", False) or self.standing.roles & ADMINISTRATORS:
            return queryset
        return queryset.filter(person=self.request.user)

    def get(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        return self.list(request, *args, **kwargs)

    @extend_schema(responses={201: NewKeySerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        act, values = act_of(self, request, {}), dict(serializer.validated_data)
        person = prove(
            request=request._request, person=act.recorded_by, password=values.pop("password")
        ).person
        token, key = people.give_token(act=act, person=person, **values)
        return _shown_once(token, key)


class RevokeKey(Keys):
    """End a key now."""

    http_method_names = ["post", "options"]

    @extend_schema(request=None, responses={200: KeySerializer})
    def post(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        token = people.revoke_token(act=act_of(self, request, {}), token=self.get_object())
        return Response(self.get_serializer(token).data)
