"""Sites without load, without PV, or without a battery worth the name: no inf and no nan anywhere."""

from __future__ import annotations

import json
import math
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import NoReturn

import pytest
from typer.testing import CliRunner

from optimizer.cli.app import app

ODD = re.compile(r"\b(inf|nan|NaN|Infinity)\b")


def scenario_in(folder: Path, *, load: float, pv: float, capacity_kwh: float) -> Path:
    """Write an invented scenario of ten days of hours."""
    rows = ["time,load_kwh,pv_kwh"]
    for hour in range(240):
        sun = max(math.sin((hour % 24 - 6) / 12 * math.pi), 0.0)
        stamp = datetime(2026, 1, 5) + timedelta(hours=hour)  # noqa: DTZ001 - of the zone's clock
        rows.append(f"{stamp:%Y-%m-%dT%H:%M},{load},{pv * sun:.4f}")
    (folder / "forecast.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    power = capacity_kwh / 2
    (folder / "scenario.yaml").write_text(
        f"""\
scenario: Nothing there
zone: Etc/UTC
forecast: forecast.csv
tariff: two_rates
battery: {{capacity_kwh: {capacity_kwh}, charge_kw: {power}, discharge_kw: {power}, floor_pct: 10}}
inverter: {{ac_limit_kw: 5, efficiency_pct: 97}}
pv: {{coupling: ac}}
connection: {{import_limit_kw: 15, export_limit_kw: 5}}
""",
        encoding="utf-8",
    )
    return folder


def _refuse(constant: str) -> NoReturn:
    raise AssertionError(f"{constant} is no JSON")


@pytest.mark.parametrize(
    ("load", "pv", "capacity_kwh"),
    [(0.0, 2.0, 10.0), (0.0, 0.0, 10.0), (0.5, 0.0, 10.0), (0.5, 2.0, 0.01)],
    ids=["no load", "neither", "no PV", "a tiny battery"],
)
@pytest.mark.filterwarnings("error")
def test_neither_page_nor_text_nor_record_holds_what_is_no_number(
    tmp_path: Path, load: float, pv: float, capacity_kwh: float
) -> None:
    folder = scenario_in(tmp_path, load=load, pv=pv, capacity_kwh=capacity_kwh)
    out = tmp_path / "out"
    told = CliRunner().invoke(app, ["plan", str(folder), "--effort", "quick", "--out", str(out)])
    assert told.exit_code == 0, told.output
    failing = CliRunner().invoke(app, ["outage", str(folder), "--settings", str(out)])
    assert failing.exit_code == 0, failing.output
    page = re.sub(r"<svg.*?</svg>", "", (out / "report.html").read_text("utf-8"), flags=re.DOTALL)
    for text in (told.stdout, failing.stdout, page):
        assert not ODD.search(text)
    json.loads((out / "plan.json").read_text("utf-8"), parse_constant=_refuse)
    assert not ODD.search((out / "plan.json").read_text("utf-8"))
    if load == 0.0:
        assert "Nothing is to be carried" in failing.stdout
