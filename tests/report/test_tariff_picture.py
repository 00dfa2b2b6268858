"""The week of a tariff in the terminal, and the year of the invented meter, worked out by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.billing.sample import sample_year
from optimizer.billing.tariff import shipped_tariffs
from optimizer.report.tariff_page import write_tariff_page
from optimizer.report.tariff_picture import tariff_picture
from optimizer.workflows.check import check_tariff
from tests.builders import read_tariff_text

TARIFF = """
tariff: Dear evenings
currency: EUR
versions:
  - from: 2026-01-01
    source: invented
    seasons: {warm: 04-01 to 09-30, cold: otherwise}
    charges:
      - kind: energy
        name: Energy
        rates:
          - {name: evening, per_kwh: 0.30, days: [weekdays], hours: ["17:00-21:00"], seasons: [cold]}
          - {name: rest, per_kwh: 0.10, otherwise: true}
      - {kind: export_credit, name: Spot, series: {file: spot.csv, column: price_per_kwh}}
"""
REST, EVENING = "a" * 48, "a" * 34 + "b" * 8 + "a" * 6


def test_a_week_by_season_and_a_sample_bill(tmp_path: Path) -> None:
    """Of 4,380 kWh (12 a day), 6 lie in the evening of each of 130 weekdays from October to March."""
    (tmp_path / "spot.csv").write_text(
        "time,price_per_kwh\n2026-01-01T00:00Z,0.1\n2026-01-01T01:00Z,0.1\n"
    )
    year = sample_year(read_tariff_text(tmp_path, TARIFF))
    lines = tariff_picture(year).splitlines()
    assert lines[1:8] == [
        "  October–March", f"          {'00    03    06    09    12    15    18    21'}",
        f"  Mon–Fri {EVENING}", f"  Sat–Sun {REST}", "  April–September",
        f"          {'00    03    06    09    12    15    18    21'}", f"  Mon–Sun {REST}",
    ]  # fmt: skip
    assert lines[8].split("   ") == ["  a 0.10", "b 0.30"]
    assert "Left out, for they follow a series of prices: Spot." in lines[9]
    assert lines[10] == "SAMPLE YEAR 2026, 4,380 kWh"
    weekdays = 22 + 20 + 22 + 22 + 21 + 23  # January to March, October to December 2026
    assert year.bill.total == pytest.approx(0.30 * 6 * weekdays + 0.10 * (4380 - 6 * weekdays))


def test_many_prices_are_shown_as_heights(tmp_path: Path) -> None:
    rows = [f"{h:02d}:00,{h + 1:02d}:00,{0.1 + h / 100:.2f}\n" for h in range(24)]
    (tmp_path / "t.csv").write_text("from,to,per_kwh\n" + "".join(rows))
    head = TARIFF.partition("    charges:")[0]
    charge = (
        "    charges:\n      - {kind: energy, name: E, table: {file: t.csv, column: per_kwh}}\n"
    )
    lines = tariff_picture(sample_year(read_tariff_text(tmp_path, head + charge))).splitlines()
    assert lines[3].startswith("  Mon–Sun ▁▁")
    assert lines[3].endswith("██")
    assert lines[4] == "  ▁ 0.10 to █ 0.33, 24 prices"


def test_a_page_shows_the_same_week_with_words_and_the_bill(tmp_path: Path) -> None:
    (path,) = write_tariff_page(check_tariff(shipped_tariffs()["price_table"]), tmp_path / "out")
    text = path.read_text(encoding="utf-8")
    assert text.count("<svg") == 4  # import and export, each in two parts of the year
    assert "invented for demonstration" in text
    assert "<h3>June–September</h3>" in text
    assert "0.48 USD per kWh: every day 16:00–21:00" in text
    assert "http" not in text.replace("http://www.w3.org", "")
