"""A bill knows what went before it, and says of each line what made it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from optimizer.cli.app import app

TARIFF = """
tariff: Tarn Hollow
currency: USD
invented: true
versions:
  - from: 2020-01-01
    source: invented
    charges:
      - {kind: energy, name: Energy, per_kwh: 0.10}
      - {kind: demand, name: Demand, per_kw: 10, interval_minutes: 60, ratchet: {pct: 80}}
      - {kind: percentage, name: Tax, percent: 10, of: all above}
"""


@pytest.fixture
def bill(tmp_path: Path) -> list[str]:
    """Two days of 1 kW, and 5 kW in one hour."""
    (tmp_path / "tariff.yaml").write_text(TARIFF)
    rows = [
        f"2025-03-{day:02d}T{hour:02d}:00+00:00,{5 if (day, hour) == (2, 17) else 1}"
        for day in (1, 2)
        for hour in range(24)
    ]
    (tmp_path / "meter.csv").write_text("\n".join(["time,import_kwh", *rows]))
    return ["bill", str(tmp_path / "meter.csv"), "--tariff", str(tmp_path / "tariff.yaml"),
            "--zone", "Europe/Dublin"]  # fmt: skip


def lines_of(arguments: list[str]) -> dict[str, dict[str, object]]:
    told = CliRunner().invoke(app, [*arguments, "--json"])
    assert told.exit_code == 0, told.output
    return {line["name"]: line for line in json.loads(told.output)["lines"]}


def test_a_ratchet_looks_back_on_the_history_that_is_given(bill: list[str], tmp_path: Path) -> None:
    assert lines_of(bill)["Demand"]["quantity"] == pytest.approx(5)
    history = tmp_path / "history.yaml"
    history.write_text("past_peaks_kw: {Demand: {2024-08: 10}}\n")
    lines = lines_of([*bill, "--history", str(history)])
    assert lines["Demand"]["quantity"] == pytest.approx(8)  # 80 % of 10 kW
    assert lines["Demand"]["amount"] == pytest.approx(80)


def test_history_of_a_charge_that_there_is_not_is_refused(bill: list[str], tmp_path: Path) -> None:
    history = tmp_path / "history.yaml"
    history.write_text("past_peaks_kw: {Peak: {2024-08: 10}}\n")
    told = CliRunner().invoke(app, [*bill, "--history", str(history)])
    assert told.exit_code == 2
    assert "history.yaml:1" in told.output
    assert "Name one of: Demand" in told.output


def test_a_line_says_which_hour_made_it_and_a_tax_does_not_repeat_it(bill: list[str]) -> None:
    assert "why" not in lines_of(bill)["Demand"]
    lines = lines_of([*bill, "--explain"])
    assert lines["Demand"]["because"] == "5 kW Sun 2 Mar 2025, 17:00–18:00"
    assert lines["Tax"]["because"] == ""
    tree = json.dumps(lines["Demand"]["why"], ensure_ascii=False)
    assert "highest demand of 60 min" in tree
    assert "Sun 2 Mar 2025, 17:00–18:00" in tree


def test_explained_text_goes_down_to_the_steps(bill: list[str]) -> None:
    told = CliRunner().invoke(app, [*bill, "--explain"])
    assert "import of 48 steps, Sat 1 Mar 2025 to Sun 2 Mar 2025: 52 kWh" in told.output
    assert "Sun 2 Mar 2025, 17:00–18:00: 5 kW" in told.output
