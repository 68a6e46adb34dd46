"""Serializers whose fields are built once a thread still see their own context, and no other thread's fields."""

import threading
from typing import Any

from rest_framework import serializers

from ledger.api.records import BuiltOnce


class Here(serializers.Field):
    def to_internal_value(self, data: Any) -> Any:
        return data, self.context["establishment"]

    def to_representation(self, value: Any) -> Any:
        return self.context["establishment"]


class Asked(BuiltOnce):
    name = Here()


def asked(place: str) -> Asked:
    return Asked(data={"name": "N"}, context={"establishment": place})


def test_the_fields_are_built_once():
    assert asked("here").fields["name"] is asked("there").fields["name"]


def test_each_serializer_sees_its_own_context_whoever_asked_last():
    first, second = asked("here"), asked("there")
    assert second.is_valid()
    assert first.is_valid()
    assert first.validated_data["name"] == ("N", "here")
    assert second.validated_data["name"] == ("N", "there")
    assert second.to_representation({"name": ""}) == {"name": "there"}


def test_no_thread_sees_the_fields_of_another():
    found = []
    thread = threading.Thread(target=lambda: found.append(asked("there").fields["name"]))
    thread.start()
    thread.join()
    assert found[0] is not asked("here").fields["name"]
