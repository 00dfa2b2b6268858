"""What a person holds, invented: a portal's file with PV, a bill, and the parts that others fill in."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

from optimizer.billing.tariff import shipped_folder

DEMO = shipped_folder("scenarios") / "1_two_rates"
ZONE = "America/New_York"


def portal_csv(first: str = "2026-04-01", end: str = "2026-06-10") -> str:
    """Return a portal's file of the first demo's house, hour by hour, in its local time.

    Import and export are what is left of load and PV without a battery.
    """
    rows = ["Start;Import (kWh);Export (kWh);PV production (kWh);Consumption (kWh)"]
    for line in (DEMO / "forecast.csv").read_text(encoding="utf-8").splitlines()[3:]:
        stamp, load, pv = line.split(",")
        if first <= stamp[:10] < end:
            net = float(load) - float(pv)
            rows.append(
                f"{stamp[:16].replace('T', ' ')};{max(net, 0):.3f};{max(-net, 0):.3f};{pv};{load}"
            )
    return "\n".join(rows) + "\n"


def net_csv(first: str = "2026-04-01", end: str = "2026-06-10") -> str:
    """Return the same house's file of a net meter: import and export alone."""
    return "".join(f"{line.rsplit(';', 2)[0]}\n" for line in portal_csv(first, end).splitlines())


def parts_of_others(folder: Path, *, pv: str = "") -> Path:
    """Write a scenario in which all but what was used is filled in; ``pv`` goes under ``forecast``."""
    text = (DEMO / "scenario.yaml").read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if not line.startswith(("forecast:", "zone:"))]
    folder.mkdir(exist_ok=True)
    (folder / "scenario.yaml").write_text("\n".join([*kept, pv]) + "\n", encoding="utf-8")
    return folder


def roof() -> str:
    """Return what the part of the roof saves: for a forecast of ten weeks, so that it is planned soon."""
    begin = date.today() + timedelta(days=30)  # noqa: DTZ011
    return f"""zone: {ZONE}
forecast:
  last: {begin + timedelta(days=70)}
  place: {{latitude_deg: 41.2, longitude_deg: -73.9}}
  pv:
    roofs: [{{peak_kw: 6, tilt_deg: 30, azimuth_deg: 180}}]
    clearness: 0.45
"""
