"""A small API of its own, to see the manners without any app: each address goes wrong in one way."""

from collections.abc import Callable
from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.core.exceptions import ValidationError as ModelSaysNo
from django.db import DataError, IntegrityError, InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse, UnreadablePostError
from django.urls import include, path
from django.views.decorators.http import require_safe
from drf_spectacular.utils import extend_schema
from kombu.exceptions import OperationalError as BrokerDown
from redis.exceptions import ConnectionError as RedisDown
from rest_framework import exceptions, mixins, serializers
from rest_framework.authentication import BasicAuthentication
from rest_framework.generics import GenericAPIView
from rest_framework.permissions import AllowAny
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from config.api.bodies import BodySerializer
from config.api.etags import answer_unless_known, answer_with_etag, version_sent
from config.api.refusals import ChangedMeanwhile, Reason, RuleBroken, Unavailable
from ledger.models import Person


class Open:
    authentication_classes: list[Any] = []
    permission_classes = [AllowAny]


class LineSerializer(BodySerializer):
    quantity = serializers.IntegerField(min_value=1)


class OrderSerializer(BodySerializer):
    number = serializers.IntegerField(read_only=True)
    name = serializers.CharField(max_length=10)
    lines = LineSerializer(many=True, required=False)


class Orders(Open, GenericAPIView):
    serializer_class = OrderSerializer

    def post(self, request: Request) -> Response:
        serializer = self.get_serializer(data=request.data)
        serializer.is_valid(raise_exception=True)
        return Response(serializer.data, status=201)


class Echo(Open, APIView):
    """Answers what the parser made of the body."""

    @extend_schema(request=OrderSerializer, responses=OrderSerializer)
    def post(self, request: Request) -> Response:
        return Response({"body": request.data})

    @extend_schema(responses=OrderSerializer)
    def get(self, request: Request) -> Response:
        return Response({"query": dict(request.query_params.lists())})


class PersonSerializer(serializers.Serializer):
    id = serializers.UUIDField(read_only=True)
    name = serializers.CharField(max_length=120)


class People(Open, mixins.ListModelMixin, GenericAPIView):
    """Two fields, so that names are ties."""

    serializer_class = PersonSerializer
    queryset = Person.objects.all()
    ordering = ("-name", "-id")

    def get(self, request: Request) -> Response:
        return self.list(request)


class OtherPeople(People):
    """Another list of the same rows."""


class Versioned:
    version = 7


class Kettle(Open, GenericAPIView):
    serializer_class = PersonSerializer

    def get(self, request: Request) -> Response:
        return answer_unless_known(request, {"name": "kettle"}, Versioned())

    def patch(self, request: Request) -> Response:
        if version_sent(request, Versioned()) != Versioned.version:
            raise ChangedMeanwhile("This was changed since you read it.")
        return answer_with_etag({"name": "kettle"}, Versioned())


class SignedInOnly(APIView):
    """Basic stands in for a key: what counts is that an authenticator names its scheme."""

    authentication_classes = [BasicAuthentication]

    @extend_schema(responses=PersonSerializer)
    def get(self, request: Request) -> Response:
        return Response({})


class Throttled(exceptions.Throttled):
    def __init__(self) -> None:
        super().__init__(wait=17)


def refuse() -> None:
    reasons = [Reason("lot-held", "Lot A is held.", "lots.0", ["a1"]), Reason("no-label", "No label.")]
    raise RuleBroken("This lot cannot be shipped.", code="not-shippable", reasons=reasons)


def fail(error: Exception) -> Callable[[], None]:
    def raise_it() -> None:
        raise error

    return raise_it


FAILURES: dict[str, Callable[[], None]] = {
    "refused": refuse,
    "unavailable": fail(Unavailable("The queue is away.")),
    "database-down": fail(OperationalError("server closed the connection; host=db.internal")),
    "interface-down": fail(InterfaceError("connection already closed")),
    "broker-down": fail(BrokerDown("amqp.internal")),
    "redis-down": fail(RedisDown("Error 111 connecting to redis.internal")),
    "unforeseen": fail(ZeroDivisionError("secret inside")),
    "integrity-unknown": fail(IntegrityError("NOT NULL constraint failed: secret.column")),
    "integrity-known": fail(IntegrityError("CHECK constraint failed: membership_role_is_known")),
    "body-cut-off": fail(UnreadablePostError("connection reset")),
    "does-not-fit": fail(DataError("value too long for type character varying(10)")),
    "overflow": fail(OverflowError("Python int too large to convert to SQLite INTEGER")),
    "too-big": fail(RequestDataTooBig("too big")),
    "suspicious": fail(SuspiciousOperation("secret inside")),
    "permission": fail(PermissionDenied()),
    "throttled": fail(Throttled()),
    "model-fields": fail(ModelSaysNo({"code": ["Too long."], "__all__": ["Does not add up."]})),
    "missing-row": fail(Person.DoesNotExist("Person matching query does not exist.")),
    "teapot": fail(type("Teapot", (exceptions.APIException,), {"status_code": 418})(["Short", "stout."])),
}


class Failing(Open, APIView):
    @extend_schema(responses=PersonSerializer)
    def get(self, request: Request, how: str) -> Response:
        FAILURES[how]()
        return Response({})


@require_safe
def plain_view(request: HttpRequest, how: str) -> HttpResponse:
    FAILURES[how]()
    return HttpResponse("<p>fine</p>")


urlpatterns = [
    path("api/", include("config.api.urls")),
    path("api/v1/orders", Orders.as_view()),
    path("api/v1/echo", Echo.as_view()),
    path("api/v1/people", People.as_view()),
    path("api/v1/other-people", OtherPeople.as_view()),
    path("api/v1/kettle", Kettle.as_view()),
    path("api/v1/signed-in", SignedInOnly.as_view()),
    path("api/v1/failing/<slug:how>", Failing.as_view()),
    path("api/v1/plain/<slug:how>", plain_view),
    path("api/v1/named/<path:how>", plain_view),
    path("pages/<slug:how>", plain_view),
]
