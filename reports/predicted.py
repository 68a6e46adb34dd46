"""What the recipe of a batch predicts of moisture and water activity, as a document shows it beside what was read."""

from dataclasses import dataclass

from django.utils.translation import gettext as _

from batches.models import Batch
from haccp import predictions
from haccp.mixing import Mix
from haccp.science.answers import Answer, Computed, NotComputed
from reports import kept_sentences
from reports.listing import spoken


@dataclass(frozen=True)
class GapLine:
    """One measured value against the prediction. ``flagged``: further off than the model's accuracy."""

    sentence: str
    flagged: bool


@dataclass(frozen=True)
class Predicted:
    """``models``: what each said, or why it could not. ``notes``: of what mix it is, and that it replaces nothing."""

    moisture: str
    water_activity: str
    models: tuple[str, ...]
    notes: tuple[str, ...]
    gaps: tuple[GapLine, ...]


def of_batch(batch: Batch) -> Predicted | None:
    """For a batch with a measured moisture or water activity; None where neither was measured."""
    compared = predictions.of_batch(batch)
    if not compared.gaps or isinstance(compared.prediction, NotComputed):
        return None
    mix = compared.prediction.mix
    return Predicted(
        moisture=_moisture(mix.moisture),
        water_activity=_water_activity(mix),
        models=tuple(_said(each) for each in mix.models),
        notes=(
            *map(spoken, mix.notes),
            _(
                "A prediction never replaces a measurement; a gap is to be looked into, no deviation by itself."
            ),
        ),
        gaps=tuple(GapLine(spoken(each.sentence), each.flagged) for each in compared.gaps),
    )


def _moisture(answer: Answer) -> str:
    if isinstance(answer, NotComputed):
        return spoken(answer.sentence)
    return _("%(low).2f to %(high).2f %%") % {"low": answer.low, "high": answer.high}


def _water_activity(mix: Mix) -> str:
    if isinstance(mix.band, NotComputed):
        bound = mix.upper_bound
        below = "" if bound is None else " " + _("Below %.3f whatever else holds.") % bound
        return spoken(mix.band.sentence) + below
    return _("%(low).3f to %(high).3f") % {"low": mix.band.low, "high": mix.band.high}


def _said(answer: Answer) -> str:
    if isinstance(answer, Computed):
        band = _("%(low).3f to %(high).3f") % {"low": answer.low, "high": answer.high}
        return f"{spoken(answer.model)}: {band} ({kept_sentences.cited(answer.source)})"
    return spoken(answer.sentence)
