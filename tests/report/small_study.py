"""Results of studies put together by hand, with the columns that a real table has."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.economics.assumptions import Terms
from optimizer.economics.best_size import BestSize, Planned
from optimizer.economics.cash_flow import Fading, Life, Money, Size
from optimizer.economics.monte_carlo import Chances, Draws
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.studies.verdict import AtSize, Sized, StudyResult, Swing, Verdict

SOURCES = (120.5, 60.25, -10.0, 30.0, 0.75)
SETTINGS = Settings(
    settings="by hand",
    floor_pct=10,
    seasons=[
        SeasonSet(
            months=list(range(1, 13)),
            day_sets=[
                DaySet(
                    days="every day",
                    windows=[Window(start="01:00", end="05:00", action="charge", until_pct=80)],
                )
            ],
        )
    ],
)
TERMS = Terms(
    years=4,
    discount_pct=5,
    inflation_pct=2,
    prices_rise_pct_per_year=1,
    battery={"fixed": 100, "per_kwh": 20},
    operating={"per_year": 5},
    sources={"battery": "offer of 3 May", "discount_pct": "the bank"},
)


def row(case: int, kwh: float = 10.0, *, with_money: bool = True, **other) -> dict:
    """Return a row that is done, with a saving that rises with its size."""
    saved = sum(SOURCES) + kwh
    made = {
        "case": case, "status": "done", "reason": "", "days": 365, "role": "listed", "site": "houses/oak",
        "tariff": "its own", "tariff_name": "Two rates", "controls": "its own",
        "way": "with windows", "package": None, "endurance_hours": 0.0,
        "battery_kwh": kwh, "charge_kw": kwh / 2, "discharge_kw": kwh / 2, "inverter_kw": 5.0,
        "load_times": 1.0, "pv_times": 1.0, "kept_share_pct": 74.0, "windows_to_type": 1,
        "prices_rise_pct_per_year": 1.0 if with_money else None, "bill_windows_usd": 800.0 - saved,
        "bill_usd": 800.0 - saved, "saves_usd": saved, "plan_saves_usd": saved + 40,
        "windows_save_over_no_battery_usd": saved, "plan_saves_over_no_battery_usd": saved + 40,
        "worth_of_battery_usd_per_kwh": 12.5, "worth_of_inverter_usd_per_kw": 0.4,
        "worth_of_battery_and_its_power_usd_per_kwh": 13.5,
        "worth_of_connection_usd_per_kw": None, "settings_json": None,
    }  # fmt: skip
    names = ("self_consumption", "moved_purchases", "sales", "demand", "other")
    parts = (SOURCES[0] + kwh, *SOURCES[1:])
    made |= {f"from_{name}_usd": part for name, part in zip(names, parts, strict=True)}
    if with_money:
        made |= {
            "npv_usd": 30.0 * kwh, "npv_of_plan_usd": 35.0 * kwh, "internal_rate_pct": 12.5,
            "internal_rates_found": 1, "payback_years": 2.5, "discounted_payback_years": 2.75,
            "levelised_cost_usd_per_kwh": 0.1234, "benefit_cost_ratio": 1.5,
            "cost_present_value_usd": 2500.0 - 30 * kwh, "break_even_price_usd_per_kwh": 55.0,
            "price_usd_per_kwh": (100 + 20 * kwh) / kwh if kwh else None,
            "investment_usd": 100 + 20 * kwh, "incentive_usd": 0.0, "against": "no_battery",
        }  # fmt: skip
    return made | other


def failed(case: int, reason: str, status: str = "failed", **other) -> dict:
    """Return a row that came to nothing."""
    unknown = dict.fromkeys(row(case))
    known = ("case", "days", "role", "site", "tariff", "tariff_name", "controls", "way", "battery_kwh", "package", "endurance_hours",
             "charge_kw", "discharge_kw", "inverter_kw", "load_times", "pv_times",
             "prices_rise_pct_per_year")  # fmt: skip
    kept = {name: row(case)[name] for name in known}
    return unknown | kept | {"status": status, "reason": reason} | other


def verdict(of: dict) -> Verdict:
    """Return a close look at a row: four years, a new battery in the third."""
    years = np.ones(4)
    life = Life(
        np.array([1.0, 0.9, 1.0, 0.9]), years, 200 * years, 240 * years, 1500 * years,
        np.array([True, True, True, True]), np.array([False, False, True, False]), 0.8,
    )  # fmt: skip
    money = Money.of(TERMS, life, Size(of["battery_kwh"], of["discharge_kw"], 5.0))
    swings = (Swing("discount_pct", 3, 8, 420.0, 180.0), Swing("load_times", 0.9, 1.1, None, 333.0))
    drawn = np.linspace(-100, 500, 61)
    return Verdict(of["case"], of, SETTINGS, None, money, swings, Chances(drawn + 150, drawn))


def result(rows: list[dict], **other) -> StudyResult:
    """Return a study with money of these rows, its best looked at closely."""
    made = StudyResult(
        "By hand", "Is a battery worth it?", True, "USD", "quick", tuple(rows), (), (), TERMS,
        Fading(calendar_pct_per_year=1.5), Draws(members=61),
        {"cases": len(rows), "inputs_sha256": {"/home/someone/houses/oak/scenario.yaml": "abc123"},
         "seeds": {"draws": 1}},
    )  # fmt: skip
    made = replace(made, **other)
    if made.terms is None or not made.done or "verdicts" in other:
        return made
    return replace(made, verdicts=(verdict(made.ranked[0]),))


def sized(case: int, *, is_proven: bool = True) -> Sized:
    """Return a best size whose row is a case."""
    planned = {10.0: Planned(400.0, 3.0, is_proven), 20.0: Planned(450.0, 2.0, is_proven)}
    best = BestSize(20.0, 450.0, planned, is_proven)
    along = (
        AtSize(18.0, -9.0, 19.5, None, None, 2, (-40.0, -9.0, 30.0)),
        AtSize(20.0, 200.0, 30.0, 6.5, 8.25, 1, (120.0, 190.0, 260.0)),
        AtSize(22.0, 50.0, 22.3, 7.0, 9.5, 1, (-20.0, 45.0, 100.0)),
    )
    return Sized("houses/oak", "its own", "its own", best, case, along, 9)


def without_money(rows: list[dict]) -> StudyResult:
    """Return a study that states no prices."""
    return result(rows, terms=None, draws=None)
