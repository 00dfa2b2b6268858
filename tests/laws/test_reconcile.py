"""A paid bill that differs for a known cause is traced to that cause, and one that fits to none.

The paid figures are made here, by billing the meter as if the cause were so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ruamel.yaml import YAML
from typer.testing import CliRunner

from optimizer.base.errors import TariffError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import TimeGrid, meter_read_periods
from optimizer.billing.bill import bill_flows
from optimizer.billing.reconcile import PaidBill, reconcile
from optimizer.billing.tariff import Tariff, compile_cost
from optimizer.cli.app import app
from tests.builders import local_grid, read_tariff_text

ZONE = "America/Chicago"
FIRST, LAST = date(2025, 6, 13), date(2025, 7, 14)
TARIFF = """
tariff: Tarn Hollow
currency: USD
invented: true
versions:
  - from: 2020-01-01
    source: invented
    charges:
      - {kind: fixed, name: Standing, amount: 0.41, per: day}
      - kind: energy
        name: Energy
        rates:
          - {name: peak, per_kwh: 0.31, days: [weekdays], hours: ["16:00-21:00"]}
          - {name: rest, per_kwh: 0.12, otherwise: true}
      - {kind: demand, name: Demand, per_kw: 7.5, interval_minutes: 15}
      - {kind: export_credit, name: Export, per_kwh: 0.05}
      - {kind: percentage, name: Tax, percent: 7, of: [Energy, Demand]}
"""


@pytest.fixture
def tariff(tmp_path: Path) -> Tariff:
    return read_tariff_text(tmp_path, TARIFF)


def meter(grid: TimeGrid) -> Flows:
    luck = np.random.default_rng(4)
    clock = grid.minute_of_day / 60
    shape = 0.3 + np.exp(-((clock - 18.5) ** 2) / 3)
    noon = np.maximum(np.sin((clock - 6) / 12 * np.pi), 0)
    return Flows.of_meter(
        grid, shape * luck.gamma(2.0, 0.1, grid.count), noon * luck.random(grid.count) * 0.2
    )


GRID = local_grid("2025-05-20T00:00", ZONE, 70 * 96, 15)
FLOWS = meter(GRID)


def paid_as_if(tariff: Tariff, flows: Flows, first: date = FIRST, last: date = LAST) -> PaidBill:
    """Return the bill of a period, printed in cents, as one that was paid for FIRST to LAST."""
    grid = flows.grid
    edges = [grid.dates[0], first, last + timedelta(days=1), grid.dates[-1] + timedelta(days=1)]
    periods = meter_read_periods(grid, edges, "test")
    bill = bill_flows(compile_cost(tariff, grid, periods), flows)
    label = next(p.label for p in periods.periods if p.first == first)
    lines = [
        {"name": line.name, "amount": round(line.amount, 2)}
        for line in bill.lines
        if line.period == label
    ]
    return PaidBill.model_validate(
        {"bill": "case", "first": FIRST, "last": LAST, "lines": lines,
         "total": round(sum(line["amount"] for line in lines), 2)}
    )  # fmt: skip


def test_a_bill_that_fits_has_no_cause(tariff: Tariff) -> None:
    result = reconcile(tariff, FLOWS, paid_as_if(tariff, FLOWS), "paid.yaml")
    assert result.fits
    assert result.causes == ()
    assert all(abs(line.difference) <= 0.0051 for line in result.lines)


def with_charge(tariff: Tariff, name: str, **change: Any) -> Tariff:
    version = tariff.file.versions[0]
    charges = [c.model_copy(update=change) if c.name == name else c for c in version.charges]
    file = tariff.file.model_copy(
        update={"versions": [version.model_copy(update={"charges": charges})]}
    )
    return replace(tariff, file=file)


def on_standard_time(flows: Flows) -> Flows:
    grid = flows.grid
    return Flows.of_meter(
        TimeGrid(grid.start, grid.step_minutes, grid.count, "Etc/GMT+6"),
        flows.import_kwh, flows.export_kwh,
    )  # fmt: skip


def late_by_a_step(flows: Flows) -> Flows:
    return Flows.of_meter(flows.grid, np.roll(flows.import_kwh, 1), np.roll(flows.export_kwh, 1))


def four_times(flows: Flows) -> Flows:
    return Flows.of_meter(flows.grid, 4 * flows.import_kwh, 4 * flows.export_kwh)


CAUSES: dict[str, tuple[Callable[[Tariff], PaidBill], str]] = {
    "dates": (
        lambda t: paid_as_if(t, FLOWS, FIRST - timedelta(days=1), LAST - timedelta(days=1)),
        "wrong dates: the figures fit a period from 2025-06-12 to 2025-07-13",
    ),
    "a day more": (
        lambda t: paid_as_if(t, FLOWS, FIRST, LAST + timedelta(days=2)),
        "wrong dates: the figures fit a period from 2025-06-13 to 2025-07-16",
    ),
    "clock": (lambda t: paid_as_if(t, on_standard_time(FLOWS)), "daylight saving"),
    "stamps": (lambda t: paid_as_if(t, late_by_a_step(FLOWS)), "stamps are an interval late"),
    "unit": (lambda t: paid_as_if(t, four_times(FLOWS)), "values are kWh, not kW"),
    "interval": (
        lambda t: paid_as_if(with_charge(t, "Demand", interval_minutes=60), FLOWS),
        "demand measured over 60 min",
    ),
    "tax base": (
        lambda t: paid_as_if(with_charge(t, "Tax", of=["Standing", "Energy", "Demand"]), FLOWS),
        "'Tax' is a percentage of Standing, Energy, Demand",
    ),
}


@pytest.mark.parametrize("name", CAUSES)
def test_a_known_cause_is_found_and_no_other(tariff: Tariff, name: str) -> None:
    make, words = CAUSES[name]
    result = reconcile(tariff, FLOWS, make(tariff), "paid.yaml")
    assert not result.fits
    assert len(result.causes) == 1, result.causes
    assert words in result.causes[0]


def test_a_rider_that_the_tariff_lacks_is_told_with_its_price(tariff: Tariff) -> None:
    paid = paid_as_if(tariff, FLOWS)
    inside = np.array([FIRST <= d <= LAST for d in GRID.dates])[GRID.day]
    energy = float(FLOWS.import_kwh[inside].sum())
    rider = {"name": "Storm rider", "amount": round(0.0123 * energy, 2)}
    words = paid.model_dump()
    words["lines"].append(rider)
    words["total"] += rider["amount"]
    result = reconcile(tariff, FLOWS, PaidBill.model_validate(words), "paid.yaml")
    (cause,) = result.causes
    assert "no charge for 'Storm rider'" in cause
    assert "0.0123 per kWh" in cause


def test_a_difference_that_nothing_explains_is_given_no_cause(tariff: Tariff) -> None:
    words = paid_as_if(tariff, FLOWS).model_dump()
    words["lines"][1]["amount"] += 3.21
    words["total"] += 3.21
    result = reconcile(tariff, FLOWS, PaidBill.model_validate(words), "paid.yaml")
    assert result.causes == ()
    assert result.difference == pytest.approx(3.21, abs=0.02)
    off = [line.name for line in result.lines if abs(line.difference) > 0.01]
    assert off == [words["lines"][1]["name"]]


def test_a_line_with_another_name_is_matched_by_the_charge_it_names(tariff: Tariff) -> None:
    words = paid_as_if(tariff, FLOWS).model_dump()
    words["lines"][0] |= {"name": "Availability", "charge": "Standing"}
    assert reconcile(tariff, FLOWS, PaidBill.model_validate(words), "paid.yaml").fits
    words["lines"][0] |= {"charge": "Sitting"}
    with pytest.raises(TariffError, match="Sitting"):
        reconcile(tariff, FLOWS, PaidBill.model_validate(words), "paid.yaml")


def test_a_line_with_another_name_can_be_a_rate_of_ours(tariff: Tariff) -> None:
    words = paid_as_if(tariff, FLOWS).model_dump()
    assert words["lines"][1]["name"] == "Energy: peak"
    words["lines"][1] |= {"name": "Dear hours", "charge": "Energy: peak"}
    assert reconcile(tariff, FLOWS, PaidBill.model_validate(words), "paid.yaml").fits


def test_a_rate_stands_for_the_sum_of_its_blocks(tmp_path: Path) -> None:
    blocks = "blocks: {per_days: 30, blocks: [{up_to_kwh: 90, per_kwh: 0.2}, {per_kwh: 0.3}]}"
    tariff = read_tariff_text(tmp_path, TARIFF.replace("per_kwh: 0.12", blocks))
    words = paid_as_if(tariff, FLOWS).model_dump()
    of_rest = [line for line in words["lines"] if line["name"].startswith("Energy: rest: ")]
    assert len(of_rest) == 2
    others = [line for line in words["lines"] if line not in of_rest]
    rest = {"name": "Night", "charge": "Energy: rest", "amount": sum(x["amount"] for x in of_rest)}
    paid = PaidBill.model_validate(words | {"lines": [*others, rest]})
    assert reconcile(tariff, FLOWS, paid, "paid.yaml").fits


def test_lines_that_the_paper_splits_are_added_up(tariff: Tariff) -> None:
    words = paid_as_if(tariff, FLOWS).model_dump()
    first = words["lines"][0]
    part = {"name": "Standing", "amount": 2.0}
    words["lines"] = [part, first | {"amount": first["amount"] - 2.0}, *words["lines"][1:]]
    result = reconcile(tariff, FLOWS, PaidBill.model_validate(words), "paid.yaml")
    assert result.fits
    assert [line.name for line in result.lines].count("Standing") == 1


def test_a_total_that_its_own_lines_do_not_make_is_told(tariff: Tariff) -> None:
    words = paid_as_if(tariff, FLOWS).model_dump()
    words["total"] += 100
    (cause,) = reconcile(tariff, FLOWS, PaidBill.model_validate(words), "paid.yaml").causes
    assert "its lines add up to" in cause


def test_charges_of_nothing_make_no_other_tax_base(tmp_path: Path) -> None:
    nothing = "- {kind: fixed, name: Meter rent, amount: 0, per: day}\n      - {kind: fixed"
    tariff = read_tariff_text(tmp_path, TARIFF.replace("- {kind: fixed", nothing))
    paid = paid_as_if(with_charge(tariff, "Tax", of=["Standing", "Energy", "Demand"]), FLOWS)
    (cause,) = reconcile(tariff, FLOWS, paid, "paid.yaml").causes
    assert "a percentage of Standing, Energy, Demand" in cause


def test_earlier_peaks_that_are_not_known_are_noted(tmp_path: Path) -> None:
    ratchet = "interval_minutes: 15, ratchet: {pct: 50}"
    tariff = read_tariff_text(tmp_path, TARIFF.replace("interval_minutes: 15", ratchet))
    (note,) = reconcile(tariff, FLOWS, paid_as_if(tariff, FLOWS), "paid.yaml").notes
    assert "past_peaks_kw" in note


def test_days_that_the_meter_does_not_cover_are_refused(tariff: Tariff) -> None:
    words = paid_as_if(tariff, FLOWS).model_dump() | {"last": date(2025, 9, 1)}
    with pytest.raises(TariffError, match="2025-09-01"):
        reconcile(tariff, FLOWS, PaidBill.model_validate(words), "paid.yaml")


def test_the_command_prints_both_bills_and_the_cause(tmp_path: Path, tariff: Tariff) -> None:
    words = paid_as_if(with_charge(tariff, "Demand", interval_minutes=30), FLOWS).model_dump(
        exclude_none=True
    )
    YAML(typ="safe").dump(words, tmp_path / "paid.yaml")
    rows = [
        f"{stamp.isoformat()},{bought!r},{sold!r}"
        for stamp, bought, sold in zip(
            GRID.local, FLOWS.import_kwh.tolist(), FLOWS.export_kwh.tolist(), strict=True
        )
    ]
    (tmp_path / "meter.csv").write_text("\n".join(["time,import_kwh,export_kwh", *rows]))
    arguments = ["bill", str(tmp_path / "meter.csv"), "--tariff", str(tmp_path / "tariff.yaml"),
                 "--zone", ZONE, "--paid", str(tmp_path / "paid.yaml")]  # fmt: skip
    told = CliRunner().invoke(app, arguments)
    assert told.exit_code == 0, told.output
    assert "LIKELY CAUSES" in told.output
    assert "demand measured over 30 min" in told.output
    record = CliRunner().invoke(app, [*arguments, "--json"])
    assert '"likely_causes"' in record.output
    words["past_peaks_kw"] = {"Demnd": {"2025-01": 3.0}}
    YAML(typ="safe").dump(words, tmp_path / "paid.yaml")
    refused = CliRunner().invoke(app, arguments)
    assert refused.exit_code == 2
    assert "'Demnd', which is no demand charge" in refused.output
