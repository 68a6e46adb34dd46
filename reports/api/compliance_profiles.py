"""What is asked of a document that tells which parts are asked of an establishment."""

from rest_framework import serializers

from config.api.bodies import BodySerializer


class ProfileAskedSerializer(BodySerializer):
    on = serializers.DateField(required=False, help_text="As of which day; today, if left out.")
