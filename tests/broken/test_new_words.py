"""Mistakes with the words for unions of hours, tables, years and factors: each told with its mend."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.base.errors import InputError
from tests.builders import billed, local_grid, tariff_of

SEASONS = "seasons: {warm: 04-01 to 09-30, cold: otherwise}"
DEMAND = "{kind: demand, name: D, interval_minutes: 60"
NET = "{kind: net_energy, name: N"
SIZES = "blocks: [{up_to_kwh: 9, per_kwh: 1}, {per_kwh: 2}]"
BRANCHES = "{kind: branches, name: B"
REBATE = "{kind: baseline_rebate, name: R, per_kwh: 1"
SHARED = "{kind: export_credit, name: X, per_kwh: 1, shared: "

MISTAKES = {
    "a value of a charge whose kind is called like one of its keys": (
        f"{BRANCHES}, taken: lowr, branches: [{{of: [E]}}, {{of: [F]}}]}}", "taken is 'lowr'"),
    "any_of beside hours": (
        '{kind: energy, name: E, per_kwh: 1, hours: ["06:00-07:00"], any_of: [{}, {days: [monday]}]}',
        "any_of stands beside hours"),
    "an unknown season in a part": (
        "{kind: energy, name: E, per_kwh: 1, any_of: [{seasons: [hot]}, {days: [monday]}]}",
        "the season 'hot' is not defined"),
    "rates that overlap in a part": (
        '{kind: energy, name: E, rates: [{name: a, per_kwh: 1, hours: ["06:00-12:00"]}, {name: b, per_kwh: 2,'
        ' any_of: [{hours: ["11:00-13:00"]}, {days: [monday], hours: ["14:00-15:00"]}]},'
        " {name: c, per_kwh: 3, otherwise: true}]}",
        "the rates 'a' and 'b' both hold"),
    "the rest of one season alone": (
        '{kind: energy, name: E, rates: [{name: a, per_kwh: 1, hours: ["06:00-12:00"]},'
        " {name: b, per_kwh: 3, seasons: [warm], otherwise: true}]}",
        "no rate of 'E' holds on Mondays in cold"),
    "two rests of one season": (
        '{kind: energy, name: E, rates: [{name: a, per_kwh: 1, otherwise: true},'
        " {name: b, per_kwh: 3, seasons: [warm], otherwise: true}]}",
        "2 rates of 'E' say 'otherwise' on Mondays in warm"),
    "hours counted at two weights": (
        f'{DEMAND}, per_kw: 1, any_of: [{{hours: ["06:00-22:00"]}}, {{hours: ["20:00-06:00"], pct: 50}}]}}',
        "at 100 % and at 50 %"),
    "hours of a part that cut an interval": (
        f'{DEMAND}, per_kw: 1, any_of: [{{hours: ["06:00-22:30"]}}, {{days: [sunday]}}]}}',
        "begin or end at 22:30, inside a demand interval"),
    "a season of a part, and a yearly price": (
        f"{DEMAND}, per_kw: 1, per: year, any_of: [{{seasons: [warm], pct: 50}}, {{seasons: [warm], pct: 50}}]}}",
        "measures demand in warm and has per: year"),
    "each day at a monthly price": (
        f"{DEMAND}, per_kw: 1, counted_over: day}}", "its price is one of a month"),
    "each day with a ratchet": (
        f"{DEMAND}, per_kw: 1, counted_over: day, per: day, ratchet: {{pct: 80}}}}",
        "so ratchet has no meaning"),
    "the power factor of export": (
        f"{DEMAND}, per_kw: 1, direction: export, power_factor: {{rule: kva, target: 1}}}}",
        "a power factor is that of import"),
    "a year of a demand of months": (
        f"{DEMAND}, per_kw: 1, year_begins: 10-01}}", "counted over the year"),
    "a year of blocks of a period": (
        f"{{kind: energy, name: E, blocks: {{year_begins: 10-01, {SIZES}}}}}", "counted over the year"),
    "a year of net energy of a period": (f"{NET}, per_kwh: 1, year_begins: 10-01}}", "netted over a year"),
    "a year that begins on a leap day": (
        f"{NET}, per_kwh: 1, netted_over: year, year_begins: 02-29}}", "no day of every year"),
    "one price of all over the year": (
        f"{{kind: energy, name: E, blocks: {{price_of_all: true, counted_over: year, {SIZES}}}}}",
        "price_of_all goes by the kWh of one period"),
    "net energy at one price of all": (
        f"{NET}, left_over: lost, blocks: {{price_of_all: true, {SIZES}}}}}", "each with its own price"),
    "net energy of a year in blocks of months": (
        f"{NET}, netted_over: year, blocks: {{{SIZES}}}}}",
        "'N' nets over the year, but its blocks are counted over the period"),
    "net energy of months in blocks of a year": (
        f"{NET}, blocks: {{counted_over: year, {SIZES}}}}}", "nets over the period, but its blocks are counted"),
    "net energy in blocks of another year": (
        f"{NET}, netted_over: year, blocks: {{counted_over: year, year_begins: 04-01, {SIZES}}}}}",
        "in the year that is netted"),
    "net energy of a year in blocks, rounded": (
        f"{NET}, netted_over: year, round_kwh: {{to: 1}}, blocks: {{counted_over: year, {SIZES}}}}}",
        "kWh of a year's blocks are not rounded"),
    "shared blocks that one rate lacks": (
        f'{{kind: energy, name: E, blocks_shared: true, rates: [{{name: a, hours: ["06:00-12:00"], blocks: {{{SIZES}}}}},'
        " {name: b, per_kwh: 1, otherwise: true}]}", "share their blocks, but 'b' has none"),
    "shared blocks of other sizes": (
        f'{{kind: energy, name: E, blocks_shared: true, rates: [{{name: a, hours: ["06:00-12:00"], blocks: {{{SIZES}}}}},'
        f" {{name: b, blocks: {{{SIZES.replace('9', '8')}}}, otherwise: true}}]}}",
        "the rates 'a' and 'b' share their blocks, but of other sizes"),
    "shared blocks of a year": (
        "{kind: energy, name: E, blocks_shared: true, rates: [{name: a, otherwise: true,"
        f" blocks: {{counted_over: year, {SIZES}}}}}]}}", "shared blocks are those of one period"),
    "shared blocks of one price": (
        "{kind: energy, name: E, per_kwh: 1, blocks_shared: true}", "blocks_shared is for blocks of several rates"),
    "shared blocks of net energy": (
        f"{NET}, blocks_shared: true, rates: [{{name: a, otherwise: true, blocks: {{{SIZES}}}}}]}}",
        "each rate of net energy has blocks of its own"),
    "excess of the three highest": (
        f"{DEMAND}, per_kw: 1, highest: 3, excess: {{above_kw: 1, counted: each interval}}}}",
        "excess counts all intervals"),
    "the year before of demand of months": (
        f"{DEMAND}, per_kw: 1, of_year: previous}}", "of_year is for demand that is counted over the year"),
    "a coincident hour that is none": (
        f"{DEMAND}, per_kw: 1, coincident: [2026-07-01]}}", "2026-07-01, not text"),
    "a coincident hour without a time": (
        f"{DEMAND}, per_kw: 1, coincident: ['2026-07-01']}}", "'2026-07-01' is no day with a clock time"),
    "a coincident hour with an offset": (
        f"{DEMAND}, per_kw: 1, coincident: ['2026-07-01T17:00Z']}}", "is no day with a clock time"),
    "a coincident hour inside an interval": (
        f"{DEMAND}, per_kw: 1, coincident: ['2026-07-01T17:15']}}",
        "2026-07-01T17:15 begins inside a demand interval of 60 min"),
    "a coincident hour named twice": (
        f"{DEMAND}, per_kw: 1, coincident: ['2026-07-01T17:00', '2026-07-01T17:00']}}", "is named twice"),
    "coincident hours beside others": (
        f'{DEMAND}, per_kw: 1, hours: ["16:00-18:00"], coincident: ["2026-07-01T17:00"]}}',
        "coincident names the hours that count, each once, but hours is given as well"),
    "coincident hours of each day": (
        f"{DEMAND}, per_kw: 1, counted_over: day, per: day, coincident: ['2026-07-01T17:00']}}",
        "so coincident has no meaning"),
    "a contract without power": (f"{DEMAND}, per_kw: 1, contract: {{at_least_pct: 85}}}}", "contract has no power"),
    "an excess above nothing": (
        f"{DEMAND}, per_kw: 1, excess: {{counted: each interval}}}}", "excess has no power"),
    "a booking of no contract": (
        f"{DEMAND}, per_kw: 1, booked: [{{from: 2026-01-01, kw: 5}}, {{from: 2026-03-01, kw: 6}}]}}",
        "booked is the power of a contract or an excess"),
    "bookings out of order": (
        f"{DEMAND}, per_kw: 1, contract: {{}}, booked: [{{from: 2026-03-01, kw: 5}}, {{from: 2026-01-01, kw: 6}}]}}",
        "bookings by day need a day each, one later than the other"),
    "bookings by day and by month": (
        f"{DEMAND}, per_kw: 1, contract: {{}}, booked: [{{from: 2026-03-01, kw: 5}}, {{months: [1], kw: 6}}]}}",
        "bookings by day need a day each"),
    "months without a booking": (
        f"{DEMAND}, per_kw: 1, contract: {{}}, booked: [{{months: [1, 2, 3], kw: 5}}, {{months: [3, 4], kw: 6}}]}}",
        "month 3 lies in two bookings"),
    "a floor above the ceiling": (
        "{kind: energy, name: E, table: {file: t.csv, column: per_kwh, at_least_per_kwh: 2,"
        " at_most_per_kwh: 1}}", "at_least_per_kwh of 2 lies above at_most_per_kwh of 1"),
    "a table by an unknown clock": (
        "{kind: energy, name: E, table: {file: t.csv, column: per_kwh, zone: Mars/North}}",
        "no time zone of the IANA list"),
    "a table that is not there": (
        "{kind: energy, name: E, table: {file: t.csv, column: per_kwh}}", "no such file of prices"),
    "a run of low prices in a table": (
        "{kind: energy, name: E, table: {file: t.csv, column: per_kwh, zero_in_run: {hours: 4}}}",
        "zero_in_run"),
    "a run of no hour": (
        "{kind: energy, name: E, series: {file: t.csv, column: per_kwh, zero_in_run: {hours: 0}}}",
        "greater than 0"),
    "a table that is rounded": (
        "{kind: energy, name: E, round_kwh: {to: 1}, table: {file: t.csv, column: per_kwh}}",
        "the energy of a price table has a price for each step"),
    "bands of two kinds": (
        "{kind: percentage, name: P, of: all above, bands: [{from_kwh: 0, percent: 1},"
        " {from_power_factor: 0.9, percent: 2}]}", "begin at from_kwh and from_power_factor"),
    "bands that begin nowhere": (
        "{kind: percentage, name: P, of: all above, bands: [{percent: 1}, {percent: 2}]}",
        "a band begins at nothing"),
    "a load factor of no demand": (
        "{kind: percentage, name: P, of: all above, bands: [{from_load_factor: 0, percent: 1},"
        " {from_load_factor: 0.5, percent: 2}]}", "a load factor is energy"),
    "a demand that no load factor needs": (
        "{kind: percentage, name: P, of: all above, demand: X, bands: [{from_kwh: 0, percent: 1},"
        " {from_kwh: 5, percent: 2}]}", "demand is 'X', but the bands do not go by load factor"),
    "a load factor of an unknown demand": (
        "{kind: percentage, name: P, of: all above, demand: X, bands: [{from_load_factor: 0, percent: 1},"
        " {from_load_factor: 0.5, percent: 2}]}", "which is no demand charge above"),
    "branches that nothing decides": (
        "{kind: branches, name: B, branches: [{of: [X]}, {of: [Y]}]}", "nothing says which branch of 'B' holds"),
    "branches decided twice": (
        f"{BRANCHES}, taken: lower, demand: X, branches: [{{of: [X], from_h: 0}}, {{of: [Y], from_h: 9}}]}}",
        "taken and from_h both say which branch of 'B' holds"),
    "a branch without hours": (
        f"{BRANCHES}, demand: X, branches: [{{of: [X], from_h: 0}}, {{of: [Y]}}]}}", "a branch has no from_h"),
    "branches that do not begin at no hours": (
        f"{BRANCHES}, demand: X, branches: [{{of: [X], from_h: 9}}, {{of: [Y], from_h: 99}}]}}",
        "the first branch begins at 9 h, not at 0"),
    "hours of use of nothing": (
        f"{BRANCHES}, branches: [{{of: [X], from_h: 0}}, {{of: [Y], from_h: 9}}]}}",
        "hours of use are energy ÷ demand"),
    "hours of use of an unknown demand": (
        f"{BRANCHES}, demand: X, branches: [{{of: [Above], from_h: 0}}, {{of: [Above], from_h: 9}}]}}",
        "goes by hours of use of 'X', which is no demand charge above it; above are none"),
    "a demand of a lower branch": (
        f"{BRANCHES}, taken: lower, demand: X, branches: [{{of: [X]}}, {{of: [Y]}}]}}",
        "demand is for branches by hours"),
    "an unknown charge in a branch": (
        f"{BRANCHES}, taken: lower, branches: [{{of: [Above]}}, {{of: [Y]}}]}}", "'B' refers to 'Y'"),
    "a year of branches of a period": (
        f"{BRANCHES}, taken: lower, year_begins: 04-01, branches: [{{of: [Above]}}, {{of: [Above]}}]}}",
        "branches that are counted over the year"),
    "a rebate that is never called": (
        f'{REBATE}, hours: ["16:00-20:00"], baseline: {{earlier_days: 5}}}}',
        "'R' does not say on which days it is called"),
    "an event over midnight": (
        f'{REBATE}, dates: [2026-07-01], hours: ["22:00-02:00"], baseline: {{earlier_days: 5}}}}',
        "run over midnight, and days are compared one by one"),
    "six highest of five": (
        f"{REBATE}, dates: [2026-07-01], baseline: {{earlier_days: 5, highest: 6}}}}",
        "highest is 6, of 5 earlier_days"),
    "a baseline of holidays that are not listed": (
        f"{REBATE}, dates: [2026-07-01], baseline: {{earlier_days: 5, of: [holidays]}}}}",
        "the days name 'holidays', but the tariff lists none"),
    "given in two ways": (f"{SHARED}{{given_pct: 5, given_kwh: 9}}}}", "given_pct and given_kwh both say"),
    "received in two ways": (
        f"{SHARED}{{received_kwh: {{2026-07: 9}}, received: {{file: r.csv, column: kwh}}}}}}",
        "received_kwh and received both say"),
    "eleven months of what is received": (
        f"{SHARED}{{received_kwh: [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11]}}}}", "received_kwh has 11 amounts"),
    "received in no month": (f"{SHARED}{{received_kwh: {{July: 9}}}}}}", "the key 'July' is no month"),
    "received from a file that is not there": (
        f"{SHARED}{{received: {{file: r.csv, column: kwh}}}}}}", "there is no such file"),
    "the first kWh of several prices": (
        "{kind: export_credit, name: X, shared: {given_kwh: 9}, rates: [{name: a, per_kwh: 1, otherwise: true}]}",
        "given_kwh of 9 are kWh of a period, but 'X' has several prices"),
    "a share above all": (f"{SHARED}{{given_pct: 130}}}}", "given_pct is 130; it must be at most 100"),
    "a demand of bands by energy": (
        "{kind: percentage, name: P, of: all above, demand: X, bands: [{from_kwh: 0, percent: 1},"
        " {from_kwh: 5, percent: 2}]}", "the bands do not go by load factor"),
}  # fmt: skip


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_told_with_its_mend(tmp_path: Path, name: str) -> None:
    charge, told = MISTAKES[name]
    with pytest.raises(InputError) as caught:
        billed(
            tariff_of(
                tmp_path, f"- {{kind: energy, name: Above, per_kwh: 1}}\n- {charge}", SEASONS
            ),
            local_grid("2026-07-01T00:00", "UTC", 24, 60),
            1.0,
        )
    assert told in str(caught.value)
    assert caught.value.mend
    assert "tariff.yaml" in str(caught.value.where)


def test_the_demand_of_days_is_no_demand_of_a_fee(tmp_path: Path) -> None:
    charges = f"""
    - {DEMAND}, per_kw: 1, counted_over: day, per: day}}
    - {{kind: step_fee, name: F, by: D, steps: [{{from: 0, amount: 1}}, {{from: 5, amount: 2}}]}}
    """
    with pytest.raises(InputError, match="goes by 'D', which is no demand charge above it"):
        billed(tariff_of(tmp_path, charges), local_grid("2026-07-01T00:00", "UTC", 24, 60), 1.0)
