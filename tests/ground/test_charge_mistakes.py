"""What charges refuse of themselves: each with the key that it is about, and what lies just on the good side."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from optimizer.base.errors import Mistake, TariffError
from optimizer.base.timegrid import calendar_months
from optimizer.billing.charges.demand import DemandCharge
from optimizer.billing.charges.energy import EnergyCharge, PriceRun
from optimizer.billing.charges.percentage import PercentageCharge
from optimizer.billing.tariff import compile_cost
from tests.builders import billed, hourly_grid, tariff_of

Words = dict[str, Any]
KW: Words = {"kind": "demand", "name": "kw", "interval_minutes": 60, "per_kw": 4.0}
DAILY = KW | {"counted_over": "day", "per": "day"}
WINTER = KW | {"seasons": ["cold"]}
ENERGY: Words = {"kind": "energy", "name": "energy"}
BLOCKS: Words = {"blocks": [{"up_to_kwh": 9, "per_kwh": 1}, {"per_kwh": 2}]}
HOURS: Words = {"demand": "kw", "blocks": [{"up_to_h": 9, "per_kwh": 1}, {"per_kwh": 2}]}
TAX: Words = {"kind": "percentage", "name": "tax", "of": "all above"}
LOAD = [{"from_load_factor": 0, "percent": 1}, {"from_load_factor": 0.5, "percent": 2}]
KWH = [{"from_kwh": 0, "percent": 1}, {"from_kwh": 9, "percent": 2}]
FACTOR = {"rule": "ratio", "target": 0.95}
MODELS = {"demand": DemandCharge, "energy": EnergyCharge, "percentage": PercentageCharge}


def energy(**words: Any) -> Words:
    return ENERGY | {"blocks": words}


WRONG: list[tuple[Words, str, tuple[Any, ...]]] = [
    *((DAILY | more, f"so {key} has no meaning", (key,)) for key, more in {
        "highest": {"highest": 2}, "power_factor": {"power_factor": FACTOR},
        "excess": {"excess": {"above_kw": 1, "counted": "each interval"}},
        "planned_in": {"planned_in": {"hours": ["01:00-02:00"]}}, "ratchet": {"ratchet": {"pct": 80}},
        "mean_of_months": {"mean_of_months": 2}, "billed_in": {"billed_in": [1]},
        "at_change": {"at_change": "whole period"}}.items()),
    (KW | {"counted_over": "day"}, "its price is one of a month", ("per",)),
    (KW | {"rolling_minutes": 30, "interval_minutes": 15}, "15 min is no multiple", ("rolling_minutes",)),
    (KW | {"one_per": "day"}, "one_per matters only", ("one_per",)),
    (KW | {"at_least_mean_kw": 1}, "needs mean_of_months", ("at_least_mean_kw",)),
    (KW | {"year_begins": "04-01"}, "year_begins is for demand", ("year_begins",)),
    (KW | {"direction": "export", "power_factor": FACTOR}, "that of import", ("power_factor",)),
    *((KW | {"excess": {"above_kw": 1, "counted": "each interval"}} | more, "excess counts all", ("excess",))
      for more in ({"power_factor": FACTOR}, {"highest": 2}, {"planned_in": {"hours": ["01:00-02:00"]}})),
    *((WINTER | more, f"has {told}, so", ("seasons",)) for told, more in {
        "per: year": {"per": "year"}, "counted_over: year": {"counted_over": "year"},
        "ratchet": {"ratchet": {"pct": 80}}, "mean_of_months": {"mean_of_months": 2}}.items()),
    (KW | {"ratchet": {"pct": 80}, "any_of": [{"seasons": ["cold"]}, {"seasons": ["cold"], "hours": ["01:00-02:00"]}]},
     "measures demand in cold", ("any_of",)),
    (ENERGY | {"rates": [{"name": "a", "per_kwh": 1, "otherwise": True}], "hours": ["01:00-02:00"],
               "days": ["weekdays"]}, "also says when it holds", ("days",)),
    (ENERGY | {"per_kwh": 1, "blocks": BLOCKS}, "priced by", ()),
    (ENERGY | {"rates": []}, "priced by", ()),
    (ENERGY | {"series": {"file": "f", "column": "per_kwh"}, "round_kwh": {"to": 1}}, "price series", ("round_kwh",)),
    (ENERGY | {"table": {"file": "f", "column": "per_kwh"}, "round_kwh": {"to": 1}}, "price table", ("round_kwh",)),
    (energy(**{k: v for k, v in HOURS.items() if k != "demand"}), "none is named",
     ("blocks", "blocks", 0, "up_to_h")),
    (energy(**BLOCKS, demand="kw"), "no block ends at hours", ("blocks", "demand")),
    (energy(**HOURS, counted_over="year"), "up_to_h is for sizes", ("blocks", "counted_over")),
    (energy(**BLOCKS, counted_over="year", per_days=30), "per_days is for sizes", ("blocks", "counted_over")),
    (energy(**BLOCKS, year_begins="04-01"), "counted over the year", ("blocks", "year_begins")),
    (energy(**HOURS, price_of_all=True), "goes by the kWh", ("blocks", "price_of_all")),
    (energy(**BLOCKS, price_of_all=True, counted_over="year"), "goes by the kWh", ("blocks", "price_of_all")),
    (energy(**HOURS, per_days=30), "counted in one period", ("blocks", "per_days")),
    (energy(**BLOCKS, unless_days=[29, 31]), "needs per_days", ("blocks", "unless_days")),
    (energy(**BLOCKS, per_days=30, unless_days=[31, 29]), "holds no number", ("blocks", "unless_days")),
    (ENERGY | {"series": {"file": "f", "column": "per_kwh", "at_least_per_kwh": 2, "at_most_per_kwh": 1}},
     "lies above", ("series", "at_least_per_kwh")),
    (TAX | {"bands": LOAD}, "a load factor is energy", ("bands",)),
    (TAX | {"bands": KWH, "demand": "kw"}, "do not go by load factor", ("demand",)),
    (TAX | {"percent": 1, "demand": "kw"}, "for bands by load factor", ("demand",)),
    (TAX | {"percent": 1, "of": ["a", "b", "a"]}, "names a charge twice", ("of",)),
    (TAX | {"bands": [KWH[0], LOAD[1]]}, "begin at from_kwh and from_load_factor", ("bands",)),
    (TAX, "no percentage", ()), (TAX | {"percent": 1, "bands": KWH}, "two percentages", ()),
    (KW | {"per_kw": None}, "no price", ()),
    (KW | {"blocks": [{"up_to_kw": 1, "per_kw": 1}, {"per_kw": 2}]}, "two prices", ()),
    (KW | {"contract": {"kw": 1, "times": 2}}, "only times is given", ("contract", "times")),
    (KW | {"contract": {"kw": 1, "exceeded_at_pct": 105}}, "only exceeded_at_pct", ("contract", "exceeded_at_pct")),
    (KW | {"contract": {"kw": 1, "exceeded_at_pct": 84, "at_least_pct": 85, "times": 1}}, "below at_least_pct",
     ("contract", "exceeded_at_pct")),
]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "told", "place"), WRONG, ids=[w[1] + str(n) for n, w in enumerate(WRONG)]
)
def test_a_charge_refuses_what_does_not_fit_together(
    words: Words, told: str, place: tuple[Any, ...]
) -> None:
    with pytest.raises(ValidationError) as caught:
        MODELS[words["kind"]].model_validate(words)
    (error,) = caught.value.errors()
    mistake = error["ctx"]["error"]
    assert isinstance(mistake, Mistake)
    assert told in mistake.what
    assert (*error["loc"], *mistake.place) == place


@pytest.mark.parametrize("words", [
    DAILY, DAILY | {"round_kw": {"to": 0.1}}, KW | {"rolling_minutes": 15, "interval_minutes": 15},
    KW | {"one_per": "day", "highest": 2}, KW | {"at_least_mean_kw": 1, "mean_of_months": 2},
    KW | {"year_begins": "04-01", "counted_over": "year"}, KW | {"planned_in": {"hours": ["01:00-02:00"]}},
    KW | {"direction": "export"}, KW | {"excess": {"above_kw": 1, "counted": "each interval"}},
    WINTER, WINTER | {"per": "year", "billed_in": "every month"}, KW | {"per": "year"},
    ENERGY | {"rates": [{"name": "a", "per_kwh": 1, "otherwise": True}]}, energy(**BLOCKS), energy(**HOURS),
    energy(**BLOCKS, counted_over="year", year_begins="04-01"), energy(**BLOCKS, price_of_all=True),
    energy(**BLOCKS, price_of_all=True, per_days=30), energy(**BLOCKS, per_days=30, unless_days=[30, 30]),
    ENERGY | {"series": {"file": "f", "column": "per_kwh", "at_least_per_kwh": 1, "at_most_per_kwh": 1}},
    ENERGY | {"per_kwh": 1, "round_kwh": {"to": 1}, "hours": ["01:00-02:00"]},
    TAX | {"bands": LOAD, "demand": "kw"}, TAX | {"bands": KWH}, TAX | {"percent": 1, "of": ["a", "b"]},
    KW | {"contract": {"kw": 1, "exceeded_at_pct": 85, "at_least_pct": 85, "times": 1}}, KW | {"contract": {"kw": 1}},
])  # fmt: skip
def test_a_charge_takes_what_does(words: Words) -> None:
    MODELS[words["kind"]].model_validate(words)


# --- what shows only on a grid ---------------------------------------------------------------

GRID = hourly_grid(24 * 31)


def test_parts_of_a_day_may_not_count_twice_with_different_shares(tmp_path) -> None:
    charge = "- {{kind: demand, name: kw, interval_minutes: 60, per_kw: 1, any_of: [{{hours: ['08:00-12:00']}}," \
             " {{hours: ['{}'], pct: {}}}]}}"  # fmt: skip
    with pytest.raises(TariffError, match=r"counts .*11:00.* at 100 % and at 50 %") as caught:
        billed(tariff_of(tmp_path, charge.format("11:00-14:00", 50)), GRID, 1.0)
    assert "tariff.yaml" in str(caught.value.where)
    used = [0.0] * GRID.count
    used[11], used[13] = 4.0, 6.0
    apart = billed(tariff_of(tmp_path, charge.format("12:00-14:00", 50)), GRID, used)
    assert apart.total == pytest.approx(4.0)  # 6 × 0.5 is less
    alike = billed(tariff_of(tmp_path, charge.format("11:00-14:00", 100)), GRID, used)
    assert alike.total == pytest.approx(6.0)


def test_hours_that_cut_an_interval_are_told_by_the_first_of_them(tmp_path) -> None:
    charge = "- {kind: demand, name: kw, interval_minutes: 60, per_kw: 1, hours: ['08:15-10:45']}"
    with pytest.raises(TariffError, match="begin or end at 08:15, inside"):
        billed(tariff_of(tmp_path, charge), GRID, 1.0)
    fits = charge.replace("60", "15")
    assert billed(tariff_of(tmp_path, fits), GRID, 1.0).total == pytest.approx(1.0)


@pytest.mark.parametrize(("origin", "count"), [("any", 0), ("pv", 1), ("battery", 1)])
def test_an_assumption_about_the_origin_is_told_where_it_matters(tmp_path, origin, count) -> None:
    charge = f"- {{kind: export_credit, name: c, per_kwh: 0.1, origin: {origin}}}"
    notes = compile_cost(tariff_of(tmp_path, charge), GRID, calendar_months(GRID)).notes
    assert len([note for note in notes if "only the rest as stored energy" in note]) == count


def test_peaks_inside_a_step_are_told_to_be_unseen(tmp_path) -> None:
    charge = "- {{kind: demand, name: kw, interval_minutes: {}, per_kw: 1{}}}"

    def notes(minutes: int, more: str = "") -> list[str]:
        tariff = tariff_of(tmp_path, charge.format(minutes, more))
        return [
            n for n in compile_cost(tariff, GRID, calendar_months(GRID)).notes if "not seen" in n
        ]

    assert notes(60) == []
    (told,) = notes(15)
    assert "measured over 15 min, but the series has steps of 60 min" in told.replace("\n", " ")
    (told,) = notes(60, ", rolling_minutes: 15")
    assert "60 min in subintervals of 15 min" in told


@pytest.mark.parametrize(("words", "mend"), [
    (TAX | {"bands": LOAD}, "Name the demand charge above as demand."), (TAX | {"bands": KWH, "demand": "kw"}, "Remove demand."),
])  # fmt: skip
def test_the_mend_of_a_demand_that_is_missing_or_too_much(words: Words, mend: str) -> None:
    with pytest.raises(ValidationError) as caught:
        PercentageCharge.model_validate(words)
    assert caught.value.errors()[0]["ctx"]["error"].mend == mend


@pytest.mark.parametrize(("more", "count"), [
    ("days: [weekdays]", 1),  # whose Saturday's early hours may be meant, and Monday's not
    ("days: [weekdays], after_midnight: same day", 0), ("days: [weekdays], after_midnight: next day", 0),
    ("days: [weekdays, weekends]", 0),  # the same either way
])  # fmt: skip
def test_a_night_is_remarked_only_where_it_can_be_read_in_two_ways(tmp_path, more, count) -> None:
    charge = f"- {{kind: energy, name: night, per_kwh: 1, hours: ['22:00-06:00'], {more}}}"
    cost = compile_cost(tariff_of(tmp_path, charge), GRID, calendar_months(GRID))
    assert sum("is taken as 00:00-06:00 and 22:00-24:00" in note for note in cost.notes) == count


LOW, HIGH = -0.01, 0.05


@pytest.mark.parametrize(("prices", "is_cut"), [
    ([LOW] * 3 + [HIGH], True), ([HIGH] + [LOW] * 3, True),  # an hour before or after may make it four
    ([LOW] * 4 + [HIGH], False), ([HIGH] + [LOW] * 4, False), ([LOW] * 5, False),  # long enough as it is
    ([HIGH] + [LOW] * 3 + [HIGH], False),  # too short, and all of it is there
    ([HIGH] * 5, False), ([LOW] * 3, True),
])  # fmt: skip
def test_a_run_of_four_hours_is_cut_where_an_end_of_the_prices_leaves_it_open(
    prices, is_cut
) -> None:
    assert PriceRun(hours=4).is_cut(np.array(prices), 1.0) == is_cut
    assert PriceRun(hours=2).is_cut(np.array(prices), 0.5) == is_cut
