"""A year of quarter-hours with a demand charge: the second demo, invented, each half-hour taken as two quarters."""

from __future__ import annotations

import shutil
from datetime import datetime, timedelta
from pathlib import Path

from optimizer.billing.tariff import shipped_folder

SETTINGS = """\
settings: ten weeks on paper
floor_pct: 20
seasons:
- months: [4, 5, 6, 7, 8, 9]
  day_sets:
  - days: weekdays
    windows:
    - {start: '23:00', end: '06:00', action: charge, until_pct: 60, grid_kw: 2}
    - {start: '14:00', end: '19:00', action: hold, import_cap_kw: 2}
  - days: weekends
    windows: []
- months: [1, 2, 3, 10, 11, 12]
  day_sets:
  - days: weekdays
    windows:
    - {start: '01:00', end: '05:00', action: charge, until_pct: 80, grid_kw: 2}
    - {start: '06:00', end: '10:00', action: hold, import_cap_kw: 3}
  - days: weekends
    windows: []
"""


def year_of_quarter_hours(folder: Path) -> Path:
    """Write a scenario with settings as found into a folder, and return it."""
    source = shipped_folder("scenarios") / "2_peak_demand"
    shutil.copy(source / "scenario.yaml", folder)
    lines = (source / "forecast.csv").read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines if line.startswith("20")]
    text = [line for line in lines if not line.startswith("20")]
    for row in rows:
        time, values = row.split(",", 1)
        later = datetime.fromisoformat(time) + timedelta(minutes=15)
        text += [row, f"{later.isoformat(timespec='minutes')},{values}"]
    (folder / "forecast.csv").write_text("\n".join(text) + "\n", encoding="utf-8")
    (folder / "results").mkdir()
    (folder / "results" / "settings.yaml").write_text(SETTINGS, encoding="utf-8")
    return folder
