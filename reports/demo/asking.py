"""Asking the service over its own API, in the name of one person, from within the same process."""

import io
from typing import Any, Protocol

from django.core.files.uploadedfile import SimpleUploadedFile
from rest_framework.test import APIClient

from ledger.models import Establishment, Person


class Told(Protocol):
    """Takes a sentence of the story, and the address (below the establishment's) where it can be read."""

    def __call__(self, sentence: str, where: str) -> None: ...


class Refused(Exception):
    """The service answered no; ``problem`` is its answer."""

    def __init__(self, status: int, problem: dict[str, Any]):
        super().__init__(f"{status} {problem}")
        self.status, self.problem = status, problem


class Asking:
    """One person with a key of their own."""

    def __init__(self, establishment: Establishment, sign_in_name: str, password: str):
        self.client = APIClient(SERVER_NAME="localhost")
        self.base = f"/api/v1/establishments/{establishment.pk}/"
        self.person = str(Person.objects.get(sign_in_name=sign_in_name).pk)
        self.password = password
        key = self._answer(
            self.client.post(
                "/api/v1/keys",
                {
                    "sign_in_name": sign_in_name,
                    "password": password,
                    "establishment": str(establishment.pk),
                    "label": "demo",
                    "days": 1,
                },
                format="json",
            )
        )
        self.client.credentials(HTTP_AUTHORIZATION=f"Bearer {key['key']}")

    def get(self, path: str) -> Any:
        return self._answer(self.client.get(self.base + path))

    def there(self, path: str) -> bool:
        return bool(self.client.get(self.base + path).status_code == 200)

    def post(self, path: str, **body: Any) -> Any:
        return self._answer(self.client.post(self.base + path, body, format="json"))

    def post_file(self, path: str, name: str, content: str, **fields: str) -> Any:
        """A form with one text file."""
        file = io.BytesIO(content.encode())
        file.name = name
        return self._answer(self.client.post(self.base + path, fields | {"file": file}, format="multipart"))

    def attach(self, record: str, name: str, content: bytes, performed_at: str) -> Any:
        """Hang a PDF on a record."""
        file = SimpleUploadedFile(name, content, content_type="application/pdf")
        body = {"target": record, "file": file, "performed_at": performed_at}
        return self._answer(self.client.post(self.base + "attachments", body, format="multipart"))

    @staticmethod
    def _answer(answer: Any) -> Any:
        if answer.status_code >= 400:
            raise Refused(answer.status_code, answer.json())
        return answer.json()
