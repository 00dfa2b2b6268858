"""What a person holds, invented: files of a portal and of a net meter; and parts that are filled in already."""

from __future__ import annotations

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


def parts_of_others(folder: Path) -> Path:
    """Write a scenario in which all but what was used is filled in."""
    text = (DEMO / "scenario.yaml").read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if not line.startswith(("forecast:", "zone:"))]
    folder.mkdir(exist_ok=True)
    (folder / "scenario.yaml").write_text("\n".join(kept) + "\n", encoding="utf-8")
    return folder
