"""Every charge family, and each of its options, billed a second time in plain loops.

The second bill is ``optimizer.plain.bill``. Rows of the table are tariffs; each is billed on random meters of
several months with a change of clocks inside, and charge by charge and period by period the two
bills must agree. A field of a charge that no row uses fails.
"""

from __future__ import annotations

import typing
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import BaseModel

from optimizer.base.documents import Source
from optimizer.base.errors import ScenarioError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import TimeGrid, calendar_months, meter_read_periods
from optimizer.billing.bill import bill_flows
from optimizer.billing.charges import banks, blocks, demand, net_energy
from optimizer.billing.charges.blocks import SharedBlocks
from optimizer.billing.charges.credit_bank import CreditBank
from optimizer.billing.charges.demand import Contract, DemandCharge, _DemandLines, _Kept
from optimizer.billing.charges.energy import BlockLines, PriceRun
from optimizer.billing.charges.minimum import MinimumCharge
from optimizer.billing.charges.percentage import PercentageCharge
from optimizer.billing.charges.step_fee import StepFee
from optimizer.billing.history import History
from optimizer.billing.tariff import (
    Charge,
    Tariff,
    TariffFile,
    compile_cost,
    refuse_unknown_history,
)
from optimizer.plain.bill import PlainBill, moments, months_of, rows_of
from tests.laws.cases import ZONE, grid_of
from tests.laws.test_twins import plant

Words = dict[str, Any]

FIRST, CHANGE = date(2024, 1, 1), date(2025, 4, 11)
SEEDS = (0, 1)


@dataclass(frozen=True)
class Span:
    """A stretch of metered time: its beginning, its steps, and meter reads if there are any."""

    start: str
    count: int
    minutes: int = 60
    reads: tuple[date, ...] = ()


SPRING = Span("2025-02-10T05:00", 24 * 128)  # clocks change on 30 March; both ends cut a month
AUTUMN = Span("2024-09-20", 24 * 160)  # clocks change on 27 October, a year ends
WEEKS = Span("2025-02-10T05:00", 24 * 128, reads=tuple(
    date(2025, 2, 3) + timedelta(days=17 * n) for n in range(9)))  # fmt: skip
FINE = Span("2025-03-20T10:00", 4 * 24 * 40, 15)
CHANGING = Span("2024-11-05", 24 * 210)  # a year ends, clocks change, the tariff changes


@dataclass(frozen=True)
class Row:
    """Charges on a stretch of time; ``then`` are those of a second version."""

    charges: list[Words]
    span: Span = SPRING
    then: list[Words] | None = None
    both: Words = field(default_factory=dict)
    after: Words = field(default_factory=dict)
    history: Words = field(default_factory=dict)


SEASONS = {"warm": "04-01 to 09-30", "cold": "otherwise"}
HOLIDAYS = {"dates": [date(2025, 4, 21), date(2024, 12, 25)]}
ENERGY = {"kind": "energy", "name": "energy", "per_kwh": 0.31}
EXPORT = {"kind": "export_credit", "name": "export", "per_kwh": 0.12}
KW = {"kind": "demand", "name": "kw", "per_kw": 4.0, "interval_minutes": 60}
FIXED = {"kind": "fixed", "name": "fixed", "amount": 31.0, "per": "month"}
TIMES = [
    {
        "name": "peak",
        "per_kwh": 0.41,
        "days": ["weekdays"],
        "hours": ["07:00-10:00", "16:00-21:00"],
    },
    {"name": "night", "per_kwh": 0.09, "hours": ["23:00-05:00"]},
    {"name": "rest", "per_kwh": 0.22, "otherwise": True},
]
SEASONAL = [
    {"name": "summer", "per_kwh": 0.12, "seasons": ["warm"]},
    {"name": "winter", "per_kwh": 0.27, "seasons": ["cold"]},
]


def sizes(*ends: tuple[float, float], last: float, **more: Any) -> Words:
    """Return rising sizes in kWh with their prices, and the price above."""
    listed = [{"up_to_kwh": size, "per_kwh": price} for size, price in ends]
    return {"blocks": [*listed, {"per_kwh": last}], **more}


RISING = sizes((250.0, 0.1), (700.0, 0.2), last=0.35)
FALLING = sizes((250.0, 0.3), (700.0, 0.2), last=0.11)
YEARLY = sizes((900.0, 0.1), (2200.0, 0.24), last=0.17)
HOURS = {"demand": "kw", "blocks": [{"up_to_h": 40.0, "per_kwh": 0.3}, {"up_to_h": 90.0, "per_kwh": 0.2},
                                    {"per_kwh": 0.08}]}  # fmt: skip
MIXED = {"demand": "kw", "blocks": [{"up_to_kwh": 500.0, "per_kwh": 0.3},
                                    {"up_to_h": 60.0, "per_kwh": 0.2}, {"per_kwh": 0.1}]}  # fmt: skip
BLOCKED = {"kind": "energy", "name": "energy"}
STEPS = {"kind": "step_fee", "name": "fee", "by": "kw", "steps": [
    {"from": 0.0, "amount": 5.0}, {"from": 9.0, "amount": 17.0}, {"from": 13.0, "amount": 11.0}]}  # fmt: skip
STEPS_KWH = STEPS | {"by": "import_kwh", "steps": [
    {"from": 0.0, "amount": 5.0}, {"from": 900.0, "amount": 17.0}, {"from": 1500.0, "amount": 29.0}]}  # fmt: skip
NET = {"kind": "net_energy", "name": "net", "per_kwh": 0.21}
BANK = {"kind": "credit_bank", "name": "bank", "credits": ["export"], "offset": ["energy"]}
LEAST = {
    "kind": "minimum",
    "name": "least",
    "amount": 320.0,
    "per": "month",
    "of": ["energy", "export"],
}
TAX = {"kind": "percentage", "name": "tax", "percent": 13.5, "of": "all above"}
BANDS = {"kind": "percentage", "name": "discount", "of": ["energy"], "bands": [
    {"from_kwh": 0.0, "percent": -10.0}, {"from_kwh": 900.0, "percent": 0.0},
    {"from_kwh": 1500.0, "percent": 5.0}]}  # fmt: skip
KVAR = {"kind": "reactive", "name": "kvar"}
RATCHET = {"pct": 85.0, "months": 3}
MONTHS = [100.0, 100.0, 85.0, 50.0, 30.0, 25.0, 40.0, 25.0, 30.0, 45.0, 70.0, 95.0]
KW_BLOCKS = {key: value for key, value in KW.items() if key != "per_kw"}
PAST = {"2025-01": 15.5, "2024-12": 11.0, "2024-07": 18.0, "2024-02": 30.0, "2023-01": 90.0}

ROWS: dict[str, Row] = {
    "fixed: per day": Row([FIXED | {"amount": 0.6, "per": "day"}]),
    "fixed: per month": Row([FIXED]),
    "fixed: per month of 30.4 days": Row([FIXED | {"month_days": 30.4}], WEEKS),
    "fixed: per year": Row([FIXED | {"per": "year"}], AUTUMN),
    "fixed: per 30 days": Row([FIXED | {"per": "30 days"}], WEEKS),
    "energy: flat": Row([ENERGY]),
    "energy: in some hours of a season": Row([ENERGY | {
        "seasons": ["warm"], "days": ["weekends", "holidays"], "hours": ["22:00-06:00"]}]),
    "energy: in nights that begin on a day": Row([ENERGY | {
        "days": ["weekdays", "holidays"], "hours": ["22:00-06:00", "12:00-13:00"],
        "after_midnight": "next day"}]),
    "demand: in a night that begins on a date": Row([KW | {
        "dates": [date(2025, 3, 5)], "hours": ["22:00-06:00"], "after_midnight": "next day"}]),
    "energy: on dates": Row([ENERGY | {"dates": [date(2025, 3, 30), date(2025, 4, 2)]}]),
    "energy: time of use": Row([{"kind": "energy", "name": "energy", "rates": TIMES}], AUTUMN),
    "energy: time of use with dates": Row([{"kind": "energy", "name": "energy", "rates": [*TIMES, {
        "name": "event", "per_kwh": 1.9, "dates": [date(2025, 3, 5)], "hours": ["14:00-18:00"]}]}]),
    "energy: in any of several hours": Row([ENERGY | {"any_of": [
        {"seasons": ["warm"], "days": ["weekdays"], "hours": ["22:00-06:00"], "after_midnight": "next day"},
        {"seasons": ["cold"], "days": ["weekends", "holidays"], "hours": ["10:00-15:00"]},
        {"dates": [date(2025, 3, 5)], "hours": ["09:00-12:00"]}]}]),
    "energy: rates that hold in any of several hours": Row([{"kind": "energy", "name": "energy", "rates": [
        {"name": "peak", "per_kwh": 0.41, "any_of": [
            {"days": ["weekdays"], "hours": ["07:00-10:00"]}, {"days": ["holidays"], "hours": ["18:00-20:00"]},
            {"dates": [date(2025, 3, 5)], "hours": ["09:00-12:00"]}]},
        {"name": "rest", "per_kwh": 0.2, "otherwise": True}]}], AUTUMN),
    "energy: what remains of a season and of some days": Row([{"kind": "energy", "name": "energy", "rates": [
        {"name": "peak", "per_kwh": 0.41, "days": ["weekdays"], "hours": ["16:00-21:00"]},
        {"name": "warm", "per_kwh": 0.2, "seasons": ["warm"], "otherwise": True},
        {"name": "cold weekdays", "per_kwh": 0.3, "seasons": ["cold"], "days": ["weekdays"], "otherwise": True},
        {"name": "cold weekends", "blocks": RISING | {"per_days": 30.0}, "seasons": ["cold"],
         "days": ["weekends", "holidays"], "otherwise": True}]}], SPRING),
    "energy: rounded": Row([ENERGY | {"round_kwh": {"to": 1.0, "how": "down"}}]),
    "energy: amount rounded": Row([ENERGY | {"round_amount": {"to": 0.05}}]),
    "energy: series": Row([{"kind": "energy", "name": "spot", "hours": ["06:00-24:00"], "series": {
        "file": "spot.csv", "column": "per_kwh", "times": 1.2, "plus_per_kwh": 0.03}}]),
    "energy: series within a floor and a ceiling": Row([{"kind": "energy", "name": "spot", "series": {
        "file": "spot.csv", "column": "per_kwh", "times": 1.1, "at_least_per_kwh": 0.0,
        "at_most_per_kwh": 0.25}}]),
    "export_credit: nothing in runs of low prices": Row([{"kind": "export_credit", "name": "spot", "series": {
        "file": "spot.csv", "column": "per_kwh", "times": 0.9, "zero_in_run": {"hours": 3.0}}}]),
    "energy: nothing once a run of low prices is long": Row([{"kind": "energy", "name": "spot", "series": {
        "file": "spot.csv", "column": "per_kwh", "plus_per_kwh": 0.4, "at_least_per_kwh": 0.1,
        "zero_in_run": {"hours": 2.0, "below_per_kwh": 0.05, "counted_from": "hours reached"}}}]),
    "energy: a table": Row([{"kind": "energy", "name": "table", "table": {
        "file": "table.csv", "column": "import_per_kwh", "source": "invented"}}], AUTUMN),
    "energy: a table by another clock, scaled, on weekdays": Row([{"kind": "energy", "name": "table",
        "days": ["weekdays"], "table": {"file": "table.csv", "column": "export_per_mwh",
        "zone": "America/Los_Angeles", "times": 1.2, "plus_per_kwh": -0.03, "at_least_per_kwh": 0.0,
        "at_most_per_kwh": 0.05}}], AUTUMN),
    "export_credit: a table": Row([{"kind": "export_credit", "name": "table", "origin": "pv", "table": {
        "file": "table.csv", "column": "export_per_mwh"}}]),
    "energy: one price of all": Row([BLOCKED | {"blocks": RISING | {"price_of_all": True}}], AUTUMN),
    "energy: one price of all, rounded, for 30 days": Row([BLOCKED | {"round_kwh": {"to": 1.0}, "blocks":
        FALLING | {"price_of_all": True, "per_days": 30.0, "round_sizes": {"to": 1.0}}}], WEEKS),
    "energy: one price of all in some hours": Row([{"kind": "energy", "name": "energy", "rates": [
        {"name": "peak", "blocks": RISING | {"price_of_all": True}, "hours": ["08:00-20:00"]},
        {"name": "rest", "per_kwh": 0.1, "otherwise": True}]}], AUTUMN),
    "energy: rising blocks": Row([BLOCKED | {"blocks": RISING}]),
    "energy: falling blocks": Row([BLOCKED | {"blocks": FALLING}], AUTUMN),
    "energy: blocks and read dates": Row([BLOCKED | {"blocks": RISING}], WEEKS),
    "energy: blocks a day": Row([BLOCKED | {"blocks": sizes((9.0, 0.1), last=0.3, per_days=1.0)}], WEEKS),
    "energy: blocks for 30 days": Row([BLOCKED | {"blocks": RISING | {
        "per_days": 30.0, "round_sizes": {"to": 10.0, "how": "up"}}}], AUTUMN),
    "energy: blocks for 30 days unless": Row([BLOCKED | {"blocks": RISING | {
        "per_days": 30.0, "unless_days": [29, 30]}}], AUTUMN),
    "energy: blocks a season": Row([BLOCKED | {"blocks": YEARLY | {"counted_over": "season"}}], AUTUMN),
    "energy: blocks a year": Row([BLOCKED | {"blocks": YEARLY | {"counted_over": "year"}}], AUTUMN),
    "energy: blocks a year, rounded": Row([BLOCKED | {"round_kwh": {"to": 5.0}, "blocks": YEARLY | {
        "counted_over": "year", "round_sizes": {"to": 200.0}}}], WEEKS),
    "energy: hours of demand": Row([KW, BLOCKED | {"blocks": HOURS}]),
    "energy: hours of demand by blocks": Row([KW_BLOCKS | {"blocks": [
        {"up_to_kw": 5.0, "per_kw": 1.0}, {"per_kw": 3.0}]}, BLOCKED | {"blocks": HOURS}]),
    "energy: kWh, then hours of demand": Row([KW, BLOCKED | {"blocks": MIXED}]),
    "energy: kWh above the hours of demand": Row([KW, BLOCKED | {"blocks": {
        "demand": "kw", "blocks": [{"up_to_kwh": 1200.0, "per_kwh": 0.3},
        {"up_to_h": 20.0, "per_kwh": 0.2}, {"per_kwh": 0.1}]}}]),
    "energy: rates with blocks": Row([{"kind": "energy", "name": "energy", "rates": [
        {"name": "peak", "blocks": RISING | {"per_days": 30.0}, "hours": ["08:00-20:00"], "seasons": ["cold"]},
        {"name": "rest", "per_kwh": 0.1, "otherwise": True}]}], AUTUMN),
    "energy: blocks shared in proportion": Row([{"kind": "energy", "name": "energy", "blocks_shared": True, "rates": [
        {"name": "peak", "blocks": sizes((250.0, 0.3), (700.0, 0.4), last=0.45, per_days=30.0),
         "hours": ["08:00-20:00"]},
        {"name": "rest", "blocks": sizes((250.0, 0.1), (700.0, 0.25), last=0.2, per_days=30.0),
         "otherwise": True}]}], AUTUMN),
    "energy: blocks shared in proportion, by seasons, rounded": Row([{"kind": "energy", "name": "energy",
        "blocks_shared": True, "round_kwh": {"to": 1.0}, "rates": [
        {"name": "a", "blocks": RISING, "seasons": ["warm"], "hours": ["08:00-20:00"]},
        {"name": "b", "blocks": sizes((250.0, 0.05), (700.0, 0.1), last=0.3), "seasons": ["warm"], "otherwise": True},
        {"name": "c", "blocks": YEARLY, "seasons": ["cold"], "days": ["weekdays"]},
        {"name": "d", "blocks": sizes((900.0, 0.2), (2200.0, 0.34), last=0.27), "seasons": ["cold"],
         "otherwise": True}]}]),
    "energy: hours of demand shared in proportion": Row([KW, {"kind": "energy", "name": "energy",
        "blocks_shared": True, "rates": [
        {"name": "peak", "blocks": HOURS, "hours": ["08:00-20:00"]}, {"name": "rest", "otherwise": True,
         "blocks": {"demand": "kw", "blocks": [{"up_to_h": 40.0, "per_kwh": 0.2}, {"up_to_h": 90.0, "per_kwh": 0.15},
                                               {"per_kwh": 0.05}]}}]}]),
    "export_credit: blocks shared in proportion": Row([{"kind": "export_credit", "name": "export",
        "blocks_shared": True, "rates": [
        {"name": "noon", "blocks": FALLING, "hours": ["08:00-20:00"]},
        {"name": "rest", "blocks": RISING, "otherwise": True}]}]),
    "export_credit: flat": Row([EXPORT], AUTUMN),
    "export_credit: blocks": Row([EXPORT | {"per_kwh": None, "blocks": FALLING}]),
    "export_credit: by origin": Row([EXPORT | {"origin": "pv"},
        EXPORT | {"name": "stored", "per_kwh": 0.05, "origin": "battery"}]),
    "export_credit: by times": Row([{"kind": "export_credit", "name": "export", "rates": TIMES}], AUTUMN),
    "export_credit: series": Row([{"kind": "export_credit", "name": "spot", "series": {
        "file": "spot.csv", "column": "per_kwh"}}]),
    "demand: 15 min": Row([KW | {"interval_minutes": 15}], FINE),
    "demand: 30 min in hours": Row([KW | {
        "interval_minutes": 30, "hours": ["16:00-21:00"], "days": ["weekdays"]}], FINE),
    "demand: in a season": Row([KW | {"seasons": ["warm"]}]),
    "demand: of a season, billed in months": Row([KW | {
        "seasons": ["warm"], "billed_in": [4, 5], "ratchet": RATCHET}]),
    "demand: rolling": Row([KW | {"rolling_minutes": 30}], FINE),
    "demand: rolling in hours": Row([KW | {
        "interval_minutes": 30, "rolling_minutes": 15, "hours": ["00:30-03:30", "17:00-20:00"]}], FINE),
    "demand: three hours": Row([KW | {"highest": 3}]),
    "demand: three days": Row([KW | {"highest": 3, "one_per": "day"}], WEEKS),
    "demand: two weeks": Row([KW | {"highest": 2, "one_per": "week"}], AUTUMN),
    "demand: three months of a year": Row([KW | {
        "highest": 3, "one_per": "month", "counted_over": "year", "per": "year"}], AUTUMN,
        history={"past_peaks_kw": {"kw": {"2024-08": 31.0, "2024-05": 4.0, "2023-12": 50.0}}}),
    "demand: by month": Row([KW | {"month_pct": MONTHS, "counted_over": "year", "per": "year"}], WEEKS),
    "demand: at least": Row([KW | {"at_least_kw": 12.0}]),
    "demand: of a year that begins in October": Row([KW | {
        "counted_over": "year", "per": "year", "year_begins": "10-01"}], AUTUMN,
        history={"past_peaks_kw": {"kw": {"2024-08": 31.0, "2023-10": 4.0, "2023-09": 50.0}}}),
    "energy: blocks of a year that begins in November": Row([BLOCKED | {"blocks": YEARLY | {
        "counted_over": "year", "year_begins": "11-15"}}], AUTUMN),
    "export_credit: a fee beyond a yearly band": Row([EXPORT | {"per_kwh": None, "blocks": sizes(
        (900.0, 0.0), last=-0.02, counted_over="year", year_begins="10-01")}], AUTUMN),
    "net_energy: over a year that begins in November": Row([NET | {
        "netted_over": "year", "year_begins": "11-01", "surplus_per_kwh": 0.03}], AUTUMN),
    "net_energy: in blocks, lost": Row([NET | {"per_kwh": None, "left_over": "lost", "blocks": sizes(
        (250.0, 0.1), last=0.3, per_days=30.0)}], AUTUMN),
    "net_energy: a baseline credit beside its price": Row([NET | {"left_over": "lost"}, NET | {
        "name": "baseline", "per_kwh": None, "left_over": "lost", "blocks": sizes(
        (11.0, -0.08), last=0.0, per_days=1.0)}], WEEKS),
    "net_energy: over the year in blocks": Row([NET | {"per_kwh": None, "netted_over": "year",
        "year_begins": "11-01", "surplus_per_kwh": 0.03, "blocks": sizes(
        (60.0, 0.1), (200.0, 0.2), last=0.35, counted_over="year", round_sizes={"to": 50.0})}], AUTUMN),
    "net_energy: over the year in blocks, by times": Row([{"kind": "net_energy", "name": "net",
        "netted_over": "year", "rates": [
        {"name": "peak", "blocks": sizes((200.0, 0.3), last=0.1, counted_over="year"), "hours": ["08:00-20:00"]},
        {"name": "rest", "per_kwh": 0.1, "otherwise": True}]}], AUTUMN),
    "net_energy: carried, in blocks, by times": Row([{"kind": "net_energy", "name": "net", "rates": [
        {"name": "peak", "blocks": RISING, "hours": ["08:00-20:00"]},
        {"name": "rest", "per_kwh": 0.1, "otherwise": True}]}]),
    "percentage: by load factor": Row([ENERGY, KW, {"kind": "percentage", "name": "rebate",
        "of": ["energy"], "demand": "kw", "bands": [
        {"from_load_factor": 0.0, "percent": 3.0}, {"from_load_factor": 0.09, "percent": 0.0},
        {"from_load_factor": 0.11, "percent": -5.0}]}], AUTUMN),
    "percentage: by power factor": Row([ENERGY, KW, {"kind": "percentage", "name": "penalty",
        "of": ["energy", "kw"], "bands": [
        {"from_power_factor": 0.0, "percent": 9.0}, {"from_power_factor": 0.89, "percent": 4.0},
        {"from_power_factor": 0.9, "percent": 0.0}]}], AUTUMN),
    "demand: per day": Row([KW | {"per": "day", "per_kw": 0.2}], WEEKS),
    "demand: contract": Row([KW | {"contract": {
        "kw": 10.0, "at_least_pct": 85.0, "exceeded_at_pct": 105.0, "times": 2.0}}]),
    "demand: in any of several hours, nights by half": Row([KW | {"interval_minutes": 15, "any_of": [
        {"days": ["weekdays"], "hours": ["06:00-22:00"]},
        {"days": ["weekdays"], "hours": ["22:00-06:00"], "pct": 50.0},
        {"seasons": ["cold"], "days": ["weekends", "holidays"], "pct": 25.0}]}], FINE),
    "demand: in any of several hours of a season": Row([KW | {"billed_in": [3, 4], "any_of": [
        {"seasons": ["cold"], "days": ["monday"]}, {"seasons": ["cold"], "hours": ["10:00-14:00"]}]}]),
    "demand: of export": Row([KW | {"direction": "export", "ratchet": RATCHET}]),
    "demand: of export, two weeks": Row([KW | {"direction": "export", "highest": 2, "one_per": "week"}], AUTUMN),
    "demand: of each day": Row([KW | {"counted_over": "day", "per": "day", "per_kw": 0.3,
        "days": ["weekdays"], "hours": ["08:00-22:00"], "round_kw": {"to": 0.1}}], WEEKS),
    "demand: of each day, above what was agreed": Row([KW_BLOCKS | {"counted_over": "day", "per": "day",
        "interval_minutes": 15, "at_least_kw": 1.0,
        "blocks": [{"up_to_kw": 5.0, "per_kw": 0.0}, {"up_to_kw": 8.0, "per_kw": 0.4}, {"per_kw": 1.1}]}], FINE),
    "demand: of each day, under contract": Row([KW | {"counted_over": "day", "per": "day",
        "contract": {"kw": 6.0, "at_least_pct": 50.0, "exceeded_at_pct": 105.0, "times": 2.0}}]),
    "demand: excess of each interval": Row([KW | {"interval_minutes": 15, "ratchet": RATCHET, "excess": {
        "above_kw": 4.0, "counted": "each interval"}}], FINE),
    "demand: excess as the root of squares": Row([KW | {"hours": ["08:00-20:00"], "excess": {
        "above_kw": 4.0, "counted": "root of squares"}}], AUTUMN),
    "demand: in hours that are told later": Row([KW | {
        "dates": [date(2025, 3, 5), date(2025, 4, 2)], "hours": ["17:00-18:00"], "billed_in": "every month",
        "mean_of_months": 3, "planned_in": {"hours": ["16:00-20:00"], "days": ["weekdays"],
        "seasons": ["cold"], "after_midnight": "same day", "pct": 40.0}}]),
    "demand: booked by months": Row([KW | {"booked": [
        {"months": [10, 11, 12, 1, 2, 3], "kw": 6.0}, {"months": [4, 5, 6, 7, 8, 9], "kw": 12.0}],
        "contract": {"at_least_pct": 85.0, "exceeded_at_pct": 105.0, "times": 2.0}}], AUTUMN),
    "demand: booked from days, each for its own days, with what looks back": Row([KW | {"booked": [
        {"from": date(2025, 3, 1), "kw": 6.0}, {"from": date(2025, 3, 20), "kw": 16.0},
        {"from": date(2025, 5, 3), "kw": 9.0}], "contract": {"at_least_pct": 85.0}, "ratchet": RATCHET,
        "mean_of_months": 3}, STEPS, BLOCKED | {"blocks": HOURS}], WEEKS, history={"peak_so_far_kw": {"kw": 14.5}}),
    "demand: booked from days, each on the whole period": Row([KW | {"booked": [
        {"from": date(2025, 1, 1), "kw": 16.0}, {"from": date(2025, 3, 20), "kw": 6.0}],
        "contract": {"exceeded_at_pct": 100.0, "times": 0.5}, "at_change": "whole period"}]),
    "demand: excess above what is booked": Row([KW | {"interval_minutes": 15, "booked": [
        {"from": date(2025, 3, 1), "kw": 4.0}, {"from": date(2025, 4, 10), "kw": 2.5}],
        "excess": {"counted": "root of squares"}}], FINE),
    "demand: of each day, above what is booked": Row([KW | {"counted_over": "day", "per": "day", "booked": [
        {"from": date(2025, 1, 1), "kw": 4.0}, {"from": date(2025, 4, 10), "kw": 7.0}],
        "contract": {"at_least_pct": 50.0, "exceeded_at_pct": 105.0, "times": 2.0}}]),
    "demand: of the year, booked by months": Row([KW | {"counted_over": "year", "per": "year", "booked": [
        {"months": [11, 12, 1, 2], "kw": 31.0}, {"months": [3, 4, 5, 6, 7, 8, 9, 10], "kw": 7.0}],
        "contract": {}}], AUTUMN),
    "demand: coincident hours of the period": Row([KW | {
        "interval_minutes": 15, "coincident": ["2025-02-20T17:00", "2025-02-27T18:45", "2025-04-02T08:00"],
        "planned_in": {"hours": ["16:00-20:00"]}}]),
    "demand: coincident hours of the year, billed in it": Row([KW | {
        "counted_over": "year", "per": "year", "year_begins": "10-15",
        "coincident": ["2024-10-02T17:00", "2024-11-27T18:00", "2024-12-04T08:00", "2025-01-08T08:00"]}], AUTUMN),
    "demand: coincident hours of the year before": Row([KW | {
        "counted_over": "year", "per": "year", "of_year": "previous", "interval_minutes": 30,
        "coincident": ["2024-10-02T17:00", "2024-11-27T18:00", "2025-01-08T08:00"]}], AUTUMN,
        history={"past_peaks_kw": {"kw": {"2023-07": 9.0}}}),
    "demand: of the year before, not known": Row([KW | {
        "counted_over": "year", "of_year": "previous", "year_begins": "12-01", "at_least_kw": 1.0}], AUTUMN,
        history={"past_peaks_kw": {"kw": {"2024-02": 3.0}}}),
    "demand: of the year before, told": Row([KW | {"counted_over": "year", "of_year": "previous"}],
        history={"past_peaks_kw": {"kw": PAST}}),
    "demand: contract, its share": Row([KW | {"contract": {"kw": 14.0}}]),
    "demand: ratchet": Row([KW | {"ratchet": RATCHET}]),
    "demand: ratchet on what was billed": Row([KW | {"ratchet": RATCHET | {"of": "billed"}}], AUTUMN),
    "demand: ratchet of winter": Row([KW | {"ratchet": {"pct": 95.0, "in_months": [12, 1, 2, 3]}}], AUTUMN),
    "demand: ratchet with history": Row([KW | {"ratchet": {"pct": 60.0, "in_months": [1, 2, 7]}}],
        history={"past_peaks_kw": {"kw": PAST}}),
    "demand: ratchet of one month": Row([KW | {"ratchet": {"pct": 100.0, "months": 1}}],
        history={"past_peaks_kw": {"kw": PAST}}),
    "demand: ratchet on what was metered, not on what was billed": Row([KW | {
        "ratchet": {"pct": 90.0},
        "contract": {"kw": 8.0, "exceeded_at_pct": 105.0, "times": 3.0}}]),
    "demand: ratchet on what was billed, rounded": Row([KW | {
        "ratchet": {"pct": 100.0, "of": "billed"}, "round_kw": {"to": 2.0, "how": "up"}}], AUTUMN),
    "demand: ratchet on what was billed under contract": Row([KW | {
        "ratchet": {"pct": 70.0, "of": "billed"},
        "contract": {"kw": 8.0, "exceeded_at_pct": 105.0, "times": 3.0}}]),
    "demand: mean of months": Row([KW | {"mean_of_months": 3}]),
    "demand: mean with floors and history": Row([KW | {
        "mean_of_months": 12, "at_least_kw": 11.5, "at_least_mean_kw": 12.5}],
        history={"past_peaks_kw": {"kw": PAST}}),
    "demand: peak so far": Row([KW], history={"peak_so_far_kw": {"kw": 14.5}}),
    "demand: peak so far of the year": Row([KW | {"counted_over": "year", "per": "year"}],
        history={"peak_so_far_kw": {"kw": 34.5}}),
    "demand: rising blocks, rounded": Row([KW_BLOCKS | {
        "blocks": [{"up_to_kw": 6.0, "per_kw": 1.5}, {"up_to_kw": 12.0, "per_kw": 3.0}, {"per_kw": 7.0}],
        "round_kw": {"to": 0.5, "how": "up"}, "round_amount": {"to": 0.01}}]),
    "demand: falling blocks": Row([KW_BLOCKS | {
        "blocks": [{"up_to_kw": 6.0, "per_kw": 7.5}, {"up_to_kw": 12.0, "per_kw": 3.0}, {"per_kw": 1.0}]}]),
    "demand: power factor by ratio": Row([KW | {"power_factor": {"rule": "ratio", "target": 0.95}}]),
    "demand: power factor by difference": Row([KW | {
        "power_factor": {"rule": "difference", "target": 0.95, "at": "peak"}}]),
    "demand: kVA": Row([KW | {"interval_minutes": 30, "power_factor": {"rule": "kva", "target": 0.95}}], FINE),
    "reactive: kvar": Row([KVAR | {"per_kvar": 0.7, "free_share": 0.2, "interval_minutes": 30}], FINE),
    "reactive: kvarh": Row([KVAR | {
        "per_kvarh": 0.03, "free_share": 0.1, "hours": ["06:00-22:00"], "round_quantity": {"to": 10.0}}]),
    "step_fee: demand": Row([KW, STEPS]),
    "step_fee: demand in blocks": Row([KW_BLOCKS | {
        "blocks": [{"up_to_kw": 6.0, "per_kw": 1.5}, {"per_kw": 7.0}]}, STEPS]),
    "step_fee: demand of a season": Row([KW | {"seasons": ["warm"]}, STEPS]),
    "step_fee: previous": Row([KW, STEPS | {"of_period": "previous"}], AUTUMN),
    "step_fee: previous with history": Row([KW, STEPS | {"of_period": "previous"}],
        history={"past_peaks_kw": {"kw": {"2025-01": 9.0}}}),
    "step_fee: previous, rounded": Row([KW | {"round_kw": {"to": 3.0}}, STEPS | {"of_period": "previous"}]),
    "step_fee: energy": Row([STEPS_KWH], WEEKS),
    "net_energy: carried": Row([NET]),
    "net_energy: brought forward": Row([NET], WEEKS, history={"banked": {"net": 700.0}}),
    "net_energy: by times": Row([{"kind": "net_energy", "name": "net", "rates": TIMES}], AUTUMN),
    "net_energy: brought forward by times": Row([{"kind": "net_energy", "name": "net", "rates": TIMES}],
        AUTUMN, history={"banked": {"net: peak": 300.0, "net: rest": 200.0}}),
    "net_energy: lost": Row([NET | {"left_over": "lost"}]),
    "net_energy: paid": Row([NET | {"left_over": "paid", "surplus_per_kwh": 0.04}]),
    "net_energy: over the year": Row([NET | {"netted_over": "year", "surplus_per_kwh": 0.03}], AUTUMN),
    "net_energy: reset": Row([NET | {"reset": "01-01", "surplus_per_kwh": 0.02}], AUTUMN),
    "net_energy: reset in autumn": Row([NET | {"reset": "11-01"}], AUTUMN),
    "net_energy: reset inside a period": Row([NET | {"reset": "04-20"}], WEEKS),
    "net_energy: reset of a season that is over": Row([{
        "kind": "net_energy", "name": "net", "rates": SEASONAL, "reset": "01-01",
        "surplus_per_kwh": 0.05}], Span("2024-08-10", 24 * 270)),
    "net_energy: expires": Row([NET | {"expire_after_periods": 1, "surplus_per_kwh": 0.02}], WEEKS,
        history={"banked": {"net": 900.0}}),
    "net_energy: expires after two": Row([NET | {"expire_after_periods": 2}], WEEKS),
    "net_energy: expires and is reset": Row([NET | {"expire_after_periods": 2, "reset": "04-20"}], WEEKS),
    "net_energy: expires when its season is over": Row([{
        "kind": "net_energy", "name": "net", "rates": SEASONAL, "expire_after_periods": 3,
        "surplus_per_kwh": 0.05}], Span("2024-08-10", 24 * 270)),
    "net_energy: rounded": Row([NET | {"round_kwh": {"to": 10.0}}]),
    "credit_bank: carried": Row([ENERGY, EXPORT, BANK], history={"banked": {"bank": 210.0}}),
    "credit_bank: lost": Row([ENERGY, EXPORT | {"per_kwh": 0.4}, BANK | {"left_over": "lost", "paid_pct": 30.0}]),
    "credit_bank: reset and paid": Row([ENERGY, EXPORT | {"per_kwh": 0.4}, FIXED, BANK | {
        "reset": "04-01", "paid_pct": 60.0}]),
    "credit_bank: expires": Row([ENERGY, EXPORT | {"per_kwh": 0.4}, BANK | {"expire_after_periods": 1}], WEEKS),
    "credit_bank: of a season that is over": Row([
        EXPORT | {"seasons": ["warm"], "per_kwh": 0.5}, ENERGY | {"seasons": ["warm"]},
        BANK | {"reset": "01-01", "paid_pct": 50.0}], Span("2024-08-10", 24 * 270)),
    "minimum: of some": Row([ENERGY, FIXED, EXPORT, LEAST]),
    "minimum: of all, per day": Row([ENERGY, EXPORT, LEAST | {"of": "all above", "per": "day", "amount": 9.0}], WEEKS),
    "minimum: per 30 days": Row([ENERGY, EXPORT, LEAST | {"per": "30 days"}], WEEKS),
    "minimum: per year": Row([ENERGY, EXPORT, LEAST | {"per": "year", "amount": 3000.0}], AUTUMN),
    "percentage: of all": Row([ENERGY, KW, EXPORT, TAX]),
    "percentage: on a percentage": Row([ENERGY, KW, TAX | {"of": ["energy"]}, TAX | {
        "name": "levy", "percent": -4.0, "of": ["kw", "tax"]}]),
    "percentage: in bands": Row([ENERGY, FIXED, BANDS], AUTUMN),
    "round_total": Row([ENERGY, KW, EXPORT, TAX | {"round_amount": {"to": 0.1, "how": "up"}}],
        both={"round_total": {"to": 5.0}}),
}  # fmt: skip
"""Tariffs of one version, by the family and the option that they are for."""

NEW_NET = NET | {"per_kwh": 0.33}
VERSIONS: dict[str, Row] = {
    "what is simple": Row([FIXED, ENERGY, EXPORT, TAX], CHANGING, [
        FIXED | {"amount": 44.0}, ENERGY | {"per_kwh": 0.5}, EXPORT, TAX | {"percent": 9.0}]),
    "blocks of a period": Row([BLOCKED | {"blocks": RISING}], CHANGING, [BLOCKED | {"blocks": FALLING}]),
    "blocks shared in proportion": Row([{"kind": "energy", "name": "energy", "blocks_shared": True, "rates": [
        {"name": "peak", "blocks": RISING, "hours": ["08:00-20:00"]},
        {"name": "rest", "blocks": FALLING, "otherwise": True}]}], CHANGING, [ENERGY]),
    "hours of demand": Row([KW, BLOCKED | {"blocks": HOURS}], CHANGING, [KW, BLOCKED | {"blocks": HOURS}]),
    "blocks of a year": Row([BLOCKED | {"blocks": YEARLY | {"counted_over": "year"}}], CHANGING, [
        BLOCKED | {"blocks": sizes((800.0, 0.2), (2900.0, 0.3), last=0.4, counted_over="year")}]),
    "blocks of a season": Row([BLOCKED | {"blocks": YEARLY | {"counted_over": "season"}}], CHANGING, [
        BLOCKED | {"blocks": sizes((100.0, 0.2), (900.0, 0.3), last=0.4, counted_over="season")}]),
    "blocks of a season that is another one": Row([BLOCKED | {"blocks": YEARLY | {"counted_over": "season"}}],
        CHANGING, [BLOCKED | {"blocks": YEARLY | {"counted_over": "season"}}],
        after={"seasons": {"warm": "03-15 to 04-30", "cold": "otherwise"}}),
    "demand": Row([KW], CHANGING, [KW | {"per_kw": 6.0}], history={"peak_so_far_kw": {"kw": 14.5}}),
    "demand that was already reached in the month of the change": Row([KW], Span("2025-04-03", 24 * 40), [
        KW | {"per_kw": 6.0}], history={"peak_so_far_kw": {"kw": 24.5}}),
    "demand of a year": Row([KW | {"counted_over": "year", "per": "year"}], CHANGING, [
        KW | {"counted_over": "year", "per": "year", "per_kw": 6.0}]),
    "demand of the whole period": Row([KW | {"at_change": "whole period"}], CHANGING, [
        KW | {"per_kw": 6.0, "at_change": "whole period", "hours": ["16:00-21:00"]}],
        history={"peak_so_far_kw": {"kw": 14.5}}),
    "demand of the whole period, reached before": Row([KW | {"at_change": "whole period"}],
        Span("2025-04-03", 24 * 40), [KW | {"per_kw": 6.0, "at_change": "whole period"}],
        history={"peak_so_far_kw": {"kw": 24.5}}),
    "demand under a booking that changes in the month of the change": Row([KW | {"contract": {}, "booked": [
        {"from": date(2024, 1, 1), "kw": 4.0}, {"from": date(2025, 4, 6), "kw": 17.0}]}, STEPS], CHANGING, [
        KW | {"per_kw": 6.0, "contract": {}, "booked": [
        {"from": date(2024, 1, 1), "kw": 5.0}, {"from": date(2025, 4, 20), "kw": 19.0}]}, STEPS]),
    "demand of each day": Row([KW | {"counted_over": "day", "per": "day"}], CHANGING, [
        KW | {"counted_over": "day", "per": "day", "per_kw": 6.0}]),
    "demand per day": Row([KW | {"per": "day"}], CHANGING, [KW | {"per": "day", "per_kw": 0.3}]),
    "demand in blocks": Row([KW], CHANGING, [KW_BLOCKS | {
        "blocks": [{"up_to_kw": 6.0, "per_kw": 1.5}, {"per_kw": 7.0}]}]),
    "a ratchet": Row([KW | {"ratchet": RATCHET}], CHANGING, [KW | {"ratchet": RATCHET | {"pct": 95.0}}],
        history={"past_peaks_kw": {"kw": {"2024-10": 17.0, "2024-09": 19.5}}}),
    "a ratchet on what was billed": Row([KW | {"ratchet": RATCHET | {"of": "billed"}}], CHANGING, [
        KW | {"ratchet": RATCHET | {"of": "billed", "pct": 95.0}}]),
    "a ratchet that follows a floor": Row([KW | {"at_least_kw": 40.0, "ratchet": RATCHET}], CHANGING, [
        KW | {"ratchet": RATCHET | {"pct": 95.0}}]),
    "a mean of months": Row([KW | {"mean_of_months": 4}], CHANGING, [KW | {"mean_of_months": 3}]),
    "a fee by the step of this period": Row([KW, STEPS], CHANGING, [KW, STEPS]),
    "a fee by the step of the previous period": Row([KW, STEPS | {"of_period": "previous"}], CHANGING, [
        KW, STEPS | {"of_period": "previous"}]),
    "net energy": Row([NET], CHANGING, [NEW_NET], history={"banked": {"net": 500.0}}),
    "net energy with a reset in the period of the change": Row([NET | {"reset": "05-01", "surplus_per_kwh": 0.02}],
        CHANGING, [NEW_NET | {"reset": "05-01", "surplus_per_kwh": 0.04}]),
    "net energy that expires": Row([NET | {"expire_after_periods": 2}], CHANGING, [
        NEW_NET | {"expire_after_periods": 2}], history={"banked": {"net": 900.0}}),
    "net energy over the year": Row([NET | {"netted_over": "year", "surplus_per_kwh": 0.03}], CHANGING, [
        NEW_NET | {"netted_over": "year"}]),
    "net energy over the year in blocks": Row([NET | {"per_kwh": None, "netted_over": "year", "blocks": sizes(
        (60.0, 0.1), last=0.35, counted_over="year")}], CHANGING, [NET | {"per_kwh": None,
        "netted_over": "year", "blocks": sizes((90.0, 0.2), last=0.3, counted_over="year")}]),
    "a bank": Row([ENERGY, EXPORT | {"per_kwh": 0.35}, BANK], CHANGING, [ENERGY, EXPORT, BANK]),
    "a bank with a reset": Row([ENERGY, EXPORT | {"per_kwh": 0.35}, BANK | {"reset": "05-01", "paid_pct": 20.0}],
        CHANGING, [ENERGY, EXPORT | {"per_kwh": 0.4}, BANK | {"reset": "05-01", "paid_pct": 40.0}]),
    "a minimum": Row([ENERGY, EXPORT, LEAST], CHANGING, [ENERGY, EXPORT, LEAST | {"amount": 380.0}]),
    "bands": Row([ENERGY, BANDS], CHANGING, [ENERGY | {"per_kwh": 0.2}, BANDS]),
    "the rounding of the total": Row([ENERGY], CHANGING, [ENERGY], both={"round_total": {"to": 5.0}}),
    "reactive demand": Row([KVAR | {"per_kvar": 0.7}], CHANGING, [KVAR | {"per_kvar": 0.9}]),
}  # fmt: skip
"""Tariffs that change inside a billing period; what goes on, goes on through the change."""


@lru_cache(maxsize=16)
def grid_for(span: Span) -> TimeGrid:
    return grid_of(span.count, span.minutes, span.start)


@lru_cache(maxsize=16)
def metered(span: Span, seed: int) -> Flows:
    """Return a meter whose months differ: some have peaks, some export more than they import."""
    grid = grid_for(span)
    luck = np.random.default_rng(seed)
    of_month = luck.permutation([0.5, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 0.6, 1.0, 0.7, 1.4])
    sunny = luck.permutation([0.2, 1.9, 0.6, 1.4, 0.4, 1.6, 1.0, 0.3, 2.2, 0.8, 1.2, 0.5])
    bought, sold, kvarh = luck.exponential(1.6 * grid.step_h, (3, grid.count))
    bought[luck.random(grid.count) < 0.1] = 0.0
    bought = bought * of_month[grid.month - 1]
    sold = sold * sunny[grid.month - 1] * (luck.random(grid.count) < 0.8)
    return Flows.of_meter(grid, bought, sold, 0.5 * kvarh)


def spot(span: Span) -> np.ndarray:
    return np.random.default_rng(99).normal(0.1, 0.2, span.count).round(4)


def write_spot(folder: Path, span: Span) -> None:
    grid = grid_for(span)
    rows = [
        f"{grid.label(step)},{price}\n" for step, price in zip(range(span.count), spot(span), strict=True)
    ]  # fmt: skip
    (folder / "spot.csv").write_text("time,per_kwh\n" + "".join(rows))


TABLE = """# invented
from,to,months,days,import_per_kwh,export_per_mwh
00:00,07:00,,,0.11,20
07:00,24:00,11-2,weekdays,0.45,90
07:00,24:00,3-10,weekdays,0.31,-15.5
07:00,12:00,,weekends holidays,0.21,44
12:00,24:00,1;2;3;4;5;6,weekends;holidays,0.2,41
12:00,24:00,7 8-12,weekends holidays,0.19,43
"""


def versions_of(row: Row) -> list[Words]:
    head = {"source": "invented", "seasons": SEASONS, "holidays": HOLIDAYS} | row.both
    versions = [head | {"from": FIRST, "charges": row.charges}]
    if row.then is not None:
        versions.append(head | row.after | {"from": CHANGE, "charges": row.then})
    return versions


def billed(row: Row, seed: int, folder: Path) -> dict[tuple[str, int], float]:
    """Return the program's bill, by charge and number of the period."""
    grid = grid_for(row.span)
    file = TariffFile.model_validate(
        {"tariff": "case", "currency": "EUR", "versions": versions_of(row)}
    )
    tariff = Tariff(file, Source(folder / "tariff.yaml", {}))
    reads = row.span.reads
    periods = meter_read_periods(grid, reads, "case") if reads else calendar_months(grid)
    cost = compile_cost(tariff, grid, periods, History(**row.history))
    bill = bill_flows(cost, metered(row.span, seed))
    number = {period.label: place for place, period in enumerate(periods.periods)}
    amounts: dict[tuple[str, int], float] = {}
    for line in bill.lines:
        key = line.charge, number[line.period]
        amounts[key] = amounts.get(key, 0.0) + line.amount
    return amounts


@lru_cache(maxsize=16)
def moments_of(span: Span, seed: int) -> list[Any]:
    flows = metered(span, seed)
    assert flows.reactive_kvarh is not None
    return moments(
        span.start, ZONE, span.minutes, flows.import_kwh, flows.export_kwh, flows.reactive_kvarh,
        flows.pv_used_kwh,
    )  # fmt: skip


def by_hand(row: Row, seed: int) -> dict[tuple[str, int], float]:
    """Return the bill in plain loops, by charge and number of the period."""
    meter = moments_of(row.span, seed)
    reads = [*zip(row.span.reads, row.span.reads[1:], strict=False)]
    periods = [
        (first, end) for first, end in reads or months_of(meter)
        if end > meter[0].day and first <= meter[-1].day
    ]  # fmt: skip
    versions = [with_values(version, row.span) for version in versions_of(row)]
    return PlainBill(versions, meter, periods, row.span.minutes / 60, **row.history).amounts


def with_values(version: Words, span: Span) -> Words:
    """Return a version in which the prices of series stand beside their file's name."""
    grid = grid_for(span)
    series = {"values": spot(span), "first": grid.start, "minutes": grid.step_minutes}
    beside = {"series": series, "table": {"rows": rows_of(TABLE)}}
    charges = [
        charge | {key: charge[key] | more for key, more in beside.items() if key in charge}
        for charge in version["charges"]
    ]
    charges = [{k: v for k, v in charge.items() if v is not None} for charge in charges]
    return version | {"charges": charges}


def gap(row: Row, seed: int, folder: Path) -> float:
    """Return the largest difference of the two bills in any charge and period."""
    ours, theirs = billed(row, seed, folder), by_hand(row, seed)
    return max(
        abs(ours.get(key, 0.0) - theirs.get(key, 0.0)) for key in ours.keys() | theirs.keys()
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("tariff")
    write_spot(made, SPRING)
    (made / "table.csv").write_text(TABLE)
    return made


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", ROWS)
@pytest.mark.sweep(every=2)
def test_a_charge_is_billed_as_it_is_by_hand(name: str, seed: int, folder: Path) -> None:
    assert sum(map(abs, by_hand(ROWS[name], seed).values())) > 1
    assert gap(ROWS[name], seed, folder) < 1e-6


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("name", VERSIONS)
@pytest.mark.sweep(every=2)
def test_a_tariff_that_changes_is_billed_as_it_is_by_hand(
    name: str, seed: int, folder: Path
) -> None:
    assert sum(map(abs, by_hand(VERSIONS[name], seed).values())) > 1
    assert gap(VERSIONS[name], seed, folder) < 1e-6


@pytest.mark.parametrize(
    ("charge", "names"),
    [
        (NET, {"net"}),
        (NET | {"left_over": "lost"}, set()),
        (NET | {"netted_over": "year"}, set()),
        (
            {"kind": "net_energy", "name": "net", "rates": TIMES},
            {"net: peak", "net: night", "net: rest"},
        ),
        (BANK, {"bank"}),
        (BANK | {"left_over": "lost"}, set()),
        (KW, set()),
    ],
)
def test_credit_can_be_brought_forward_only_into_a_bank_that_is_kept(
    charge: Words, names: set[str]
) -> None:
    words = versions_of(Row([ENERGY, EXPORT, charge]))
    file = TariffFile.model_validate({"tariff": "case", "currency": "EUR", "versions": words})
    tariff = Tariff(file, Source(Path("tariff.yaml"), {}))
    for name in ("net", "net: peak", "net: night", "net: rest", "bank", "kw"):
        told = History(banked={name: 5.0})
        if name in names:
            refuse_unknown_history(tariff, told, str)
            continue
        with pytest.raises(ScenarioError, match=f"banked is given for '{name}'"):
            refuse_unknown_history(tariff, told, str)


# --- nothing is left out ---------------------------------------------------------------------


def models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for inner in typing.get_args(annotation) for model in models_in(inner)]


def keys_used(words: Any) -> Iterator[tuple[str, ...]]:
    """Return the path of each key in some words, without the places in lists."""
    if isinstance(words, dict):
        for key, value in words.items():
            yield (key,)
            yield from ((key, *path) for path in keys_used(value))
    elif isinstance(words, list):
        for value in words:
            yield from keys_used(value)


def keys_there_are(model: type[BaseModel]) -> Iterator[tuple[str, ...]]:
    for name, info in model.model_fields.items():
        yield (info.alias or name,)
        for inner in models_in(info.annotation):
            yield from ((info.alias or name, *path) for path in keys_there_are(inner))


SAME_EVERYWHERE = {
    "round_amount",
    "source",
    "seasons",
    "days",
    "dates",
    "hours",
    "after_midnight",
    "any_of",
}
"""Keys that each charge inherits; they need a row in one family, not in each."""


def test_every_key_of_every_charge_stands_in_a_row() -> None:
    used = {
        (charge["kind"], *path)
        for row in [*ROWS.values(), *VERSIONS.values()]
        for charge in [*row.charges, *(row.then or ())]
        for path in keys_used(charge)
    }
    energy_keys = {path[1:] for path in used if path[0] == "energy"}
    models = models_in(Charge)
    assert len(models) == 10
    for model in models:
        (kind,) = typing.get_args(model.model_fields["kind"].annotation)
        there = {path for path in keys_there_are(model) if not SAME_EVERYWHERE & set(path)}
        there = {path for path in there if not (len(path) > 1 and path[-2].startswith("round_"))}
        if kind in {"energy", "export_credit", "net_energy"}:  # what they share is told once
            there -= energy_keys
            there -= {("rates", *path) for path in energy_keys}
        missing = {path for path in there if (kind, *path) not in used}
        assert missing == set()


def test_the_two_bills_are_told_apart_where_a_price_differs(folder: Path) -> None:
    row = Row([ENERGY])
    other = Row([ENERGY | {"per_kwh": 0.3100001}])
    ours, theirs = billed(row, 0, folder), by_hand(other, 0)
    assert max(abs(ours[key] - theirs[key]) for key in ours) > 1e-6


# --- planted faults --------------------------------------------------------------------------

Fault = tuple[str, Any, str, str, str]

FAULTS: dict[str, Fault] = {
    "a rising edge turned": (
        "energy: rising blocks", blocks, "_up_to", "minus(above(amount, edge))", "above(amount, edge)"),
    "the larger of amount and edge": (
        "energy: falling blocks", blocks, "_up_to", "Largest((minus(amount), minus(end)))",
        "minus(Largest((amount, end)))"),
    "a block that begins at zero": (
        "demand: falling blocks", demand, "within_blocks", "Sum((end, minus(begin)))", "end"),
    "sizes for the whole of a period": (
        "energy: blocks a day", BlockLines, "_scale", "days / self.price.per_days",
        "whole / self.price.per_days"),
    "the year's blocks begun anew in each period": (
        "energy: blocks a year", BlockLines, "lines", "split_before[int(span)] = split", "pass"),
    "what was brought forward charged": (
        "net_energy: brought forward", banks.Bank, "_in_order", "Constant(-self", "Constant(self"),
    "a credit that lives too long": (
        "net_energy: expires", banks.Bank, "_oldest_first", "- self._expire_after", "- self._expire_after - 1"),
    "the newest credit used first": (
        "net_energy: expires after two", banks.Bank, "_oldest_first", "Largest((after_use, self._made_before[old]))",
        "Sum((after_use, self._made_before[old]))"),
    "a reset on the first day": (
        "net_energy: reset in autumn", banks, "resets", "period.first < date", "period.first <= date"),
    "no reset where nothing is metered": (
        "net_energy: reset of a season that is over", net_energy, "settled_in_turn", "in sums or ages", "in sums"),
    "a reset before the period ends": (
        "net energy with a reset in the period of the change", banks.Bank, "settle",
        "is_reset and is_closed", "is_reset"),
    "the year netted once for each period": (
        "net_energy: over the year", net_energy, "_netted_over_years", "minus(before.due)", "ZERO"),
    "a share paid in full": (
        "credit_bank: reset and paid", CreditBank, "lines", "self.paid_pct / 100, result", "1.0, result"),
    "the month of the change forgotten": (
        "a mean of months", _Kept, "keep", "Largest((table[period], node))", "node"),
    "a ratchet that forgets a month too early": (
        "demand: ratchet of one month", _DemandLines, "_ratcheted", "period - ratchet.months,",
        "period - ratchet.months + 1,"),
    "a ratchet of all months": (
        "demand: ratchet of winter", _DemandLines, "_counts", "ratchet.in_months is None", "True"),
    "a mean of months that are not known": (
        "demand: mean of months", _DemandLines, "_averaged", "1 / len(terms)", "1 / months"),
    "weeks that begin on Thursday": (
        "demand: two weeks", _DemandLines, "_groups", "(number + 3) // 7", "number // 7"),
    "an interval that begins anywhere": (
        "demand: rolling", _DemandLines, "_rolling", "% (stride * grid.step_minutes) == 0", ">= 0"),
    "what exceeds the contract not billed itself": (
        "demand: contract", Contract, "billed", "1 + self.times", "self.times"),
    "a fee for the whole month": (
        "step_fee: demand", StepFee, "lines", "step.amount * share", "step.amount"),
    "the step of this period": (
        "step_fee: previous", StepFee, "_demand_before", "self.by, period - 1", "self.by, period"),
    "a run one price too short": (
        "export_credit: nothing in runs of low prices", PriceRun, "holds", "end - begin >= needed",
        "end - begin >= needed - 1"),
    "a run that counts from its begin": (
        "energy: nothing once a run of low prices is long", PriceRun, "holds", "begin + late", "begin"),
    "all rates alike in a block": (
        "energy: blocks shared in proportion", SharedBlocks, "part", "evaluate(own, flows) / whole", "weight"),
    "a net year's blocks begun anew in each period": (
        "net_energy: over the year in blocks", BlockLines, "of_span", "period, now, before", "period, now, []"),
    "the first booking for ever": (
        "demand: booked from days, each for its own days, with what looks back", DemandCharge, "_booked_on",
        "-1 if holding else 0", "0"),
    "bookings that add up without their days": (
        "demand: booked from days, each for its own days, with what looks back", _DemandLines, "_priced",
        "Scale(booked, part)", "part"),
    "the highest of the coincident hours": (
        "demand: coincident hours of the period", _DemandLines, "_peak_that_counts", "max(every, 1)", "1"),
    "the year before forgotten": (
        "demand: of the year before, told", _DemandLines, "_measured", "year -= 1", "pass"),
    "the minimum on top": (
        "minimum: of some", MinimumCharge, "lines", "Sum((Largest((charged, least)), minus(charged)))", "least"),
    "a band that begins late": (
        "percentage: in bands", PercentageCharge, "_in_bands", "self.bands[1:]", "self.bands[:-1]"),
    "a percentage of the last line": (
        "percentage: of all", PercentageCharge, "lines", "line.period == period)", "line is base[-1])"),
}  # fmt: skip
"""Faults in the source: the row that must tell, the function, what stands there, what is put."""


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_planted_in_a_charge_shows_in_its_row(
    fault: str, monkeypatch: pytest.MonkeyPatch, folder: Path
) -> None:
    name, *planted = FAULTS[fault]
    plant(monkeypatch, *planted)
    row = (ROWS | VERSIONS)[name]
    assert max(gap(row, seed, folder) for seed in SEEDS) > 1e-3
