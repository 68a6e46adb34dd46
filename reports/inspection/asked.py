"""What an inspection file was asked of: the things themselves, of one establishment, and a period of local days."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from django.db.models import Min, Q, QuerySet
from django.utils import timezone

from batches.models import Batch, Lot, Material, Movement, TradingPartner
from ledger.models import Establishment
from reports import left_out
from reports.api.inspection_files import InspectionFileSerializer

DAY = timedelta(days=1)


@dataclass(frozen=True)
class Asked:
    """``since`` and ``until``: local days, both included; None where that end is open."""

    here: Establishment
    lots: tuple[Lot, ...]
    batches: tuple[Batch, ...]
    products: tuple[Material, ...]
    control_points: tuple[str, ...]
    suppliers: tuple[TradingPartner, ...]
    customers: tuple[TradingPartner, ...]
    since: date | None = None
    until: date | None = None

    @classmethod
    def read(cls, here: Establishment, about: dict[str, Any]) -> "Asked":
        """Raises ValidationError by field, Unknown for what is not here."""
        reader = InspectionFileSerializer(data=left_out.asked(about), context={"establishment": here})
        reader.is_valid(raise_exception=True)
        said: dict[str, Any] = reader.validated_data
        lists = {name: tuple(dict.fromkeys(each)) for name, each in said.items() if isinstance(each, list)}
        return cls(here=here, **lists, since=said.get("since"), until=said.get("until"))

    @property
    def only_a_period(self) -> bool:
        named = (self.lots, self.batches, self.products, self.control_points, self.suppliers, self.customers)
        return not any(named)

    @property
    def ends(self) -> tuple[datetime | None, datetime | None]:
        """The period's first instant and the first after it, on the establishment's clock."""
        zone = self.here.zone
        since = datetime.combine(self.since, time(), zone) if self.since else None
        until = datetime.combine(self.until + DAY, time(), zone) if self.until else None
        return since, until

    def days(self) -> dict[str, str]:
        """The period as logs are asked for it; an open end is the day of the first movement here, or today."""
        first = self.since or self._began()
        last = self.until or timezone.now().astimezone(self.here.zone).date()
        return {"first": first.isoformat(), "last": max(first, last).isoformat()}

    def _began(self) -> date:
        earliest = Movement.objects.of(self.here).aggregate(at=Min("performed_at"))["at"]
        return (earliest or timezone.now()).astimezone(self.here.zone).date()

    def within(self, field: str) -> Q:
        """A condition: the time in ``field`` lies in the period."""
        since, until = self.ends
        after = Q(**{f"{field}__gte": since}) if since else Q()
        return after & Q(**{f"{field}__lt": until}) if until else after

    def concerned(self) -> QuerySet[Batch]:
        """The batches that the file is of, oldest first: named, of named lots, of named products or all of the period."""
        named = Q(pk__in=[each.pk for each in self.batches])
        named |= Q(pk__in=[each.batch_id for each in self.lots if each.batch_id])
        products = Q(recipe_version__material__in=self.products)
        if self.products or self.only_a_period:
            named |= self.within("state__started_at") & (products if self.products else Q())
        rows = Batch.objects.filter(named, establishment=self.here)
        return rows.order_by("state__started_at", "pk")
