"""Charts of recorded readings without a database: batches as subgroups, sums, baselines.

Outside check: the piston rings (textbook, read) and the sums of the NIST/SEMATECH e-Handbook (read), in
science/tables/nist-spc.csv and nist-spc-answers.csv.
"""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from uuid import UUID

import pytest

from haccp.bounds import PLAN, Bound
from haccp.charting import Asked, Measured, charted
from haccp.drawing import svg
from haccp.histories import History
from haccp.history_plots import plot_of
from tests.haccp.science.tables import series

BEGAN = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
RINGS, SUMMED = series("xbar_r_rings"), series("cusum")
CUSUM = Asked("cusum", target=325, slack=0.3175, decision=4.1959)


def readings(values: list[float], size: int = 1) -> list[Measured]:
    """One an hour; ``size`` of them make a batch."""
    return [
        Measured(
            check=UUID(int=at),
            at=BEGAN + timedelta(hours=at),
            value=Decimal(repr(value)),
            entered=repr(value),
            entered_unit="MMT",
            result="within",
            must="400 mm or less",
            upper=Bound(Decimal(400), True, PLAN),
            batch=f"B-{at // size + 1}",
        )
        for at, value in enumerate(values)
    ]


def test_batches_of_rings_have_the_textbooks_limits():
    found = charted(readings(RINGS, 5), Asked("xbar-r", subgroup_size=5))
    assert found.chart is not None
    means, ranges = found.chart.series
    assert (len(found.spots), found.spots[0].batch, len(found.spots[0].readings)) == (25, "B-1", 5)
    assert means.limits.upper[0] == pytest.approx(74.0143, abs=5e-5)
    assert means.limits.lower[0] == pytest.approx(73.98805, abs=5e-5)
    assert ranges.limits.centre == pytest.approx(0.02276, abs=5e-6)
    assert found.basis == "Limits from all 25 batches of 5 readings shown: no baseline was named."


def test_batches_with_another_number_of_readings_are_left_out_by_name():
    rings = readings(RINGS, 5)
    loose = replace(rings[0], batch="")
    found = charted([*rings[:-2], loose], Asked("xbar-r", subgroup_size=5))
    assert len(found.spots) == 24
    assert found.left_out == ("Left out: batch B-25, with 3 readings.", "Left out: 1 reading of no batch.")


def test_too_few_batches_are_said_so():
    found = charted(readings(RINGS[:45], 5), Asked("xbar-r", subgroup_size=5))
    assert found.chart is None
    assert "10 batches of 5 readings are needed, there are 9." in found.cannot


def test_the_sums_of_the_handbook_signal_from_the_fourteenth_reading():
    found = charted(readings(SUMMED), CUSUM)
    assert [each.place + 1 for each in found.signals] == list(range(14, 21))
    assert [each.number for each in found.signals] == list(range(1, 8))


def test_sums_without_a_reading_are_said_so():
    assert "1 reading is needed, there is none." in charted([], CUSUM).cannot


def test_a_baseline_larger_than_what_is_there_is_said_so():
    found = charted(readings(SUMMED), Asked(baseline=30))
    assert "30 readings are needed, there are 20." in found.cannot


def test_a_baseline_of_days_is_those_days_and_no_others():
    found = charted(readings([*RINGS[:60]]), Asked(baseline_from=date(2026, 3, 3)))
    assert (found.run, found.spots[16].at.hour) == (slice(16, 60), 0)


def test_a_bound_on_one_side_gives_no_cp():
    found = charted(readings(SUMMED), Asked(rules="nelson", baseline=12))
    assert found.capability is not None
    assert (found.capability.cp, found.capability.cpk.low < found.capability.cpk.value) == (None, True)
    assert "With one bound there is no Cp." in found.capable


@pytest.mark.parametrize("asked", [CUSUM, Asked("xbar-r", subgroup_size=2), Asked(), Asked(baseline=30)])
def test_every_chart_becomes_a_picture(asked: Asked):
    measured = tuple(readings(SUMMED, 2))
    history = History(
        "CP-1",
        "Rings <&>",
        "width",
        "MMT",
        "Europe/Berlin",
        "All checks",
        measured,
        (),
        (),
        charted(measured, asked),
    )
    assert "Rings &lt;&amp;&gt;: width, mm" in svg(plot_of(history))
