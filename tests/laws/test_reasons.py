"""The reason of each window: its parts add up to the saving beside it, and follow what moved."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import shipped_folder
from optimizer.evaluation.effects import Priced
from optimizer.evaluation.reasons import NOT_IN_FORECAST, Reason, reasons_for
from optimizer.scenario.brief import Brief, read_brief
from optimizer.scenario.horizon import Horizon
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation.replay import Replay, replay
from optimizer.workflows.inputs import horizon_of
from tests.bench.cells import ANY_TIME, TARIFFS

DEMOS = ["1_two_rates", "2_peak_demand", "3_evening_export", "5_grid_fails"]
TARIFF_NAMES = [*TARIFFS, "dynamic", "net_metering", "baseline_allowance", "ratchet", "net_billing"]

WINDOWS = [
    Window(start="01:00", end="05:00", action="charge", until_pct=80, grid_kw=2.0),
    Window(start="07:00", end="09:00", action="hold"),
    Window(start="12:00", end="14:00", action="charge", until_pct=100, grid_kw=0.0),
    Window(start="16:00", end="19:00", action="cover", down_to_pct=30, import_cap_kw=1.0),
    Window(start="19:00", end="21:00", action="sell", down_to_pct=40, power_kw=2.0),
]
"""One of each action: some save, some lose, in most tariffs."""

PART = re.compile(
    r"(?:(?P<lower>lower) by|(?P<higher>higher) by|brings) (?P<sum>[\d,]+\.\d\d)"
    r"(?: (?P<more>more|less))?(?: \((?P<how>[^)]*)\))?$"
)


@dataclass(frozen=True)
class Site:
    """A site with settings to run."""

    brief: Brief
    horizon: Horizon
    settings: Settings

    def priced(self, run: Replay) -> Priced:
        wear = 0.02 * float(run.flows.discharge_kwh.sum())
        return Priced(bill_flows(self.brief.cost, run.flows), {"wear of the battery": wear})

    def reasons(self) -> list[Reason]:
        return reasons_for(self.settings, Controls().menu, self.horizon, self.priced, "USD")


def settings_with(windows: list[Window], months: list[int] | None = None) -> Settings:
    day_set = DaySet(days="every day", windows=windows)
    seasons = [SeasonSet(months=months or list(range(1, 13)), day_sets=[day_set])]
    return Settings(settings="tried", floor_pct=20, seasons=seasons)


def site_of(folder: Path) -> Site:
    brief = read_brief(folder)
    return Site(brief, horizon_of(brief), settings_with(WINDOWS))


def demo_on(tariff: str, folder: Path, demo: str = "1_two_rates") -> Site:
    """Return three weeks of a demo at the turn of a season, on another tariff."""
    source = shipped_folder("scenarios") / demo
    lines = (source / "forecast.csv").read_text(encoding="utf-8").splitlines()
    some = [line for line in lines[3:] if "2026-05-22" <= line[:10] < "2026-06-12"]
    (folder / "forecast.csv").write_text("\n".join([*lines[:3], *some]), encoding="utf-8")
    text = (source / "scenario.yaml").read_text(encoding="utf-8")
    named = tariff
    if tariff in {"any_time_demand", "dynamic"}:
        named = "tariff.yaml"
        (folder / named).write_text(
            ANY_TIME.format(minutes=60) if tariff == "any_time_demand" else HOURLY
        )
        rows = [
            f"{line.split(',')[0]},{100 + 60 * np.sin(n / 3):.4f}" for n, line in enumerate(some)
        ]
        (folder / "prices.csv").write_text("time,price_per_mwh\n" + "\n".join(rows))
    text = re.sub(r"^tariff: .*$", f"tariff: {named}", text, flags=re.M)
    (folder / "scenario.yaml").write_text(text, encoding="utf-8")
    return site_of(folder)


HOURLY = """\
tariff: A price for each hour
currency: USD
invented: true
versions:
  - from: 2010-01-01
    source: invented for this test
    charges:
      - kind: energy
        name: Energy
        series: {file: prices.csv, column: price_per_mwh, plus_per_kwh: 0.05}
      - {kind: percentage, name: Tax, percent: 10, of: all above}
      - {kind: export_credit, name: Export credit, per_kwh: 0.07}
"""


def signed(part: str) -> float:
    """Return what a part says is saved, below zero for a loss."""
    found = PART.search(part)
    assert found, part
    amount = float(found["sum"].replace(",", ""))
    return amount if found["lower"] or found["more"] == "more" else -amount


def worth_of(how: str) -> float | None:
    """Return what the energy that is told is worth at the prices told; None if none is told."""
    told = re.findall(r"([\d,.]+) kWh (less|more) at ([\d.]+)", how)
    if not told:
        return None
    return sum((1 if way == "less" else -1) * float(kwh.replace(",", "")) * float(rate)
               for kwh, way, rate in told)  # fmt: skip


def check(reason: Reason) -> None:
    """Hold that a reason's parts add up to its saving, and that no word contradicts its sign."""
    assert reason.saves is not None
    if "nothing on this forecast" in reason.why:
        assert abs(reason.saves) < 0.02
        return
    head, _, rest = re.split("; (?:with )?the cap", reason.why)[0].partition(": ")
    verb, amount = re.fullmatch(r"(saves|loses) ([\d,]+\.\d\d) USD on this forecast", head).groups()  # type: ignore[union-attr]
    shown = float(amount.replace(",", "")) * (1 if verb == "saves" else -1)
    assert shown == pytest.approx(reason.saves, abs=0.005001)
    parts = rest.split("; ")
    assert round(sum(map(signed, parts)), 2) == shown
    for part in parts:
        found = PART.search(part)
        assert found
        worth = worth_of(found["how"] or "")
        if worth is not None:  # kWh are told to 1 or 0.1, prices to 0.0001
            is_credit = found["more"] is not None
            moved = sum(
                float(k.replace(",", "")) for k in re.findall(r"([\d,.]+) kWh", found["how"])
            )
            assert (-worth if is_credit else worth) == pytest.approx(
                signed(part), abs=0.006 + moved * 1e-4 + 0.5
            ), part


@pytest.mark.parametrize("demo", DEMOS)
def test_the_parts_of_each_reason_add_up_in_the_demos(demo: str) -> None:
    reasons = site_of(shipped_folder("scenarios") / demo).reasons()
    assert len(reasons) == len(WINDOWS)
    for reason in reasons:
        check(reason)


@pytest.mark.parametrize("tariff", TARIFF_NAMES)
def test_the_parts_of_each_reason_add_up_on_every_kind_of_tariff(
    tariff: str, tmp_path: Path
) -> None:
    for reason in demo_on(tariff, tmp_path).reasons():
        check(reason)
        assert re.search("kWh?|nothing", reason.why)


def test_a_reason_tells_which_energy_moved_between_which_prices(tmp_path: Path) -> None:
    """Worked out from the two meters: by price, less import by day and more by night."""
    site = demo_on("two_rates", tmp_path)
    settings = settings_with([WINDOWS[0]])
    (reason,) = replace(site, settings=settings).reasons()
    ours = replay(site.horizon, settings).flows.import_kwh
    none = replay(site.horizon, settings.without_windows()).flows.import_kwh
    hour = site.horizon.grid.minute_of_day // 60
    cheap = (hour >= 23) | (hour < 6)
    less, more = (none - ours)[~cheap].sum(), (ours - none)[cheap].sum()
    assert less > 10
    assert f"buys {less:.0f} kWh less at 0." in reason.why
    assert f"{more:.0f} kWh more at 0.12" in reason.why


def test_a_reason_tells_which_demand_a_window_lowers(tmp_path: Path) -> None:
    """One month and one window: what is billed is the highest import of the month."""
    site = demo_on("any_time_demand", tmp_path, "2_peak_demand")
    may = site.horizon.grid.month == 5
    cap = Window(start="06:00", end="23:00", action="charge", until_pct=90, grid_kw=1.0,
                 import_cap_kw=2.0)  # fmt: skip
    settings = settings_with([cap], [5])
    (reason,) = replace(site, settings=settings).reasons()
    ours = replay(site.horizon, settings).flows.import_kwh[may]
    none = replay(site.horizon, settings.without_windows()).flows.import_kwh[may]

    def hourly(kwh: np.ndarray) -> float:
        return float(kwh[: len(kwh) // 2 * 2].reshape(-1, 2).sum(axis=1).max())

    assert hourly(ours) < hourly(none) - 0.1
    said = re.search(r"billed ([\d.]+) instead of ([\d.]+) kW", reason.why)
    assert said
    assert float(said[1]) == pytest.approx(hourly(ours), abs=0.0051)
    assert float(said[2]) == pytest.approx(hourly(none), abs=0.0051)


def test_of_a_season_that_the_forecast_does_not_hold_nothing_is_claimed(tmp_path: Path) -> None:
    site = demo_on("two_rates", tmp_path)
    (reason,) = replace(site, settings=settings_with([WINDOWS[0]], [1, 2, 12])).reasons()
    assert reason.saves is None
    assert reason.why == NOT_IN_FORECAST
    assert not re.search(r"saves|worth|0\.00", reason.why)


def test_a_cap_that_cannot_always_be_kept_is_told_so(tmp_path: Path) -> None:
    site = demo_on("two_rates", tmp_path)
    late = settings_with([
        Window(start="18:00", end="06:00", action="cover", down_to_pct=90, import_cap_kw=0.2)
    ])  # fmt: skip
    (reason,) = replace(site, settings=late).reasons()
    hour = site.horizon.grid.minute_of_day // 60
    highest = replay(site.horizon, late).flows.import_kwh[(hour >= 18) | (hour < 6)].max()
    assert highest > 0.3
    assert f"; the cap cannot always be kept: import there reaches {highest:.2f} kW" in reason.why
