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


def test_two_tariffs_stand_side_by_side_on_one_meter(bill: list[str], tmp_path: Path) -> None:
    """52 kWh and 5 kW: (5.20 + 50) × 1.1 = 60.72 beside 52 × 0.20 = 10.40."""
    other = tmp_path / "flat.yaml"
    charges = "      - {kind: energy, name: Energy, per_kwh: 0.20}\n"
    other.write_text(TARIFF.partition("      - {kind")[0] + charges)
    told = CliRunner().invoke(app, [*bill, "--beside", str(other), "--json"])
    record = json.loads(told.output)
    assert record["totals"] == pytest.approx([60.72, 10.40])
    assert record["by_period"] == {"2025-03": pytest.approx([60.72, 10.40])}
    assert record["by_charge"][1] == pytest.approx({"Energy": 10.40})
    text = CliRunner().invoke(app, [*bill, "--beside", str(other)]).output
    assert [line.split() for line in text.splitlines() if line.strip().startswith("total")] == [
        ["total", "60.72", "10.40", "-50.32"]
    ]


def test_tariffs_of_two_currencies_are_not_compared(bill: list[str], tmp_path: Path) -> None:
    other = tmp_path / "euro.yaml"
    other.write_text(TARIFF.replace("USD", "EUR"))
    told = CliRunner().invoke(app, [*bill, "--beside", str(other)])
    assert told.exit_code == 2
    assert "one tariff is in USD, the other in EUR" in told.output


def test_a_bill_runs_from_read_date_to_read_date(bill: list[str]) -> None:
    """The first day has 24 kWh; the second, with 28 kWh, lies after the last read date."""
    told = CliRunner().invoke(app, [*bill, "--read-dates", "2025-03-01,2025-03-02", "--json"])
    record = json.loads(told.output)
    assert record["by_period"].keys() == {"2025-03-01 to 2025-03-01"}
    assert record["lines"][0]["quantity"] == pytest.approx(24)
    assert any(
        "1 of 2 days are metered before the first read date" in note for note in record["notes"]
    )


@pytest.mark.parametrize(
    ("dates", "told"),
    [
        ("yesterday", "'yesterday' is no list of days"),
        ("2024-01-01,2024-02-01", "nothing is metered from 2024-01-01 to 2024-02-01"),
        ("2025-03-02,2025-03-01", "nothing is metered"),
        ("2025-03-01", "nothing is metered"),
        ("2025-02-01,2025-03-03,2025-03-02,2025-03-04", "does not come after"),
    ],
)
def test_read_dates_that_are_none_are_refused(bill: list[str], dates: str, told: str) -> None:
    done = CliRunner().invoke(app, [*bill, "--read-dates", dates])
    assert done.exit_code == (64 if dates == "yesterday" else 2)
    assert told in " ".join(done.output.split())
