"""Demand that is measured in some hours and months and billed in others, told on paper.

The meter shows 10 kW in one hour of July, 4 kW in one hour of December and 1 kW otherwise.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.base.errors import TariffError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import calendar_months
from optimizer.billing.bill import bill_flows
from optimizer.billing.history import History
from optimizer.billing.running import with_known_steps
from optimizer.billing.tariff import compile_cost
from optimizer.cost.expression import evaluate, linear_cost
from tests.builders import billed, local_grid, tariff_of

SEASONS = "seasons: {summer: 06-01 to 09-30, winter: otherwise}"
YEAR = local_grid("2026-01-01T00:00", "Europe/Berlin", 8760)
JULY, DECEMBER = 4700, 8400


def meter() -> np.ndarray:
    kwh = np.ones(8760)
    kwh[[JULY, DECEMBER]] = 10.0, 4.0
    return kwh


def charge(words: str) -> str:
    return (
        "- {kind: demand, name: Capacity, per_kw: 12, interval_minutes: 60, seasons: [summer],"
        f" {words}}}"
    )


def by_period(tmp_path, words: str) -> dict[str, float]:
    bill = billed(tariff_of(tmp_path, charge(words), SEASONS), YEAR, meter())
    return {period[5:]: round(amount, 9) for period, amount in bill.by_period().items()}


def test_a_yearly_price_of_summer_demand_is_paid_in_every_month(tmp_path):
    paid = by_period(tmp_path, "per: year, counted_over: year, billed_in: every month")
    assert paid == {f"{month:02d}": 10.0 for month in range(1, 13)}  # 12 × 10 kW ÷ 12


def test_a_yearly_price_can_be_paid_in_named_months(tmp_path):
    paid = by_period(tmp_path, "per: year, counted_over: year, billed_in: [11, 12]")
    assert {month for month, amount in paid.items() if amount} == {"11", "12"}
    assert paid["11"] == 10.0


def test_a_summer_ratchet_bills_the_winter_after(tmp_path):
    paid = by_period(tmp_path, "ratchet: {pct: 50}, billed_in: every month")
    expected = {f"{month:02d}": 0.0 for month in range(1, 6)}  # nothing is measured before June
    expected |= {"06": 12.0, "07": 120.0} | {f"{month:02d}": 60.0 for month in range(8, 13)}
    assert paid == expected


def test_demand_of_the_whole_year_can_be_billed_in_some_months_alone(tmp_path):
    words = "- {kind: demand, name: Capacity, per_kw: 12, interval_minutes: 60, billed_in: [1, 8],"
    tariff = tariff_of(tmp_path, f"{words} ratchet: {{pct: 80, months: 11}}}}")
    paid = billed(tariff, YEAR, meter()).by_period()
    assert {month: round(paid[month], 9) for month in paid if paid[month]} == {
        "2026-01": 12.0, "2026-08": 96.0,
    }  # fmt: skip


@pytest.mark.parametrize(
    "words",
    ["per: year", "per: year, counted_over: year", "ratchet: {pct: 80}", "mean_of_months: 12"],
)
def test_a_season_that_leaves_open_which_months_pay_is_refused(words, tmp_path):
    with pytest.raises(TariffError, match="open whether other months") as refused:
        tariff_of(tmp_path, charge(words), SEASONS)
    assert "billed_in: every month" in str(refused.value)


def test_the_reason_of_a_winter_month_names_the_summer_peak(tmp_path):
    tariff = tariff_of(tmp_path, charge("ratchet: {pct: 50}, billed_in: every month"), SEASONS)
    november = next(
        line for line in billed(tariff, YEAR, meter()).lines if line.period == "2026-11"
    )
    told = "\n".join(november.why.lines())
    assert "no hour of this period counts" in told
    assert "Jul 2026" in told


@pytest.mark.parametrize(
    "words",
    [
        "per: year, counted_over: year, billed_in: every month",
        "ratchet: {pct: 50}, billed_in: [10, 11]",
    ],
)
@pytest.mark.parametrize("cut", [JULY - 300, JULY + 300, DECEMBER])
def test_the_plan_and_a_running_month_read_the_same_money(words, cut, tmp_path):
    cost = compile_cost(tariff_of(tmp_path, charge(words), SEASONS), YEAR, calendar_months(YEAR))
    flows = Flows.of_meter(YEAR, meter(), np.zeros(8760))
    whole = bill_flows(cost, flows)
    assert linear_cost(cost.total, 8760).value(flows) == pytest.approx(whole.total, abs=1e-9)
    rest = YEAR.part(cut, 8760 - cut)
    past = Flows.of_meter(YEAR.part(0, cut), meter()[:cut], np.zeros(cut))
    opened = with_known_steps(cost, past, rest)
    later = Flows.of_meter(rest, meter()[cut:], np.zeros(8760 - cut))
    first = cost.periods.of_step[cut]
    due = sum(whole.by_period()[period.label] for period in cost.periods.periods[first:])
    assert evaluate(opened.total, later) == pytest.approx(due, abs=1e-9)


WEEKDAYS = "kind: demand, name: Peak, per_kw: 2, interval_minutes: 60, days: [weekdays]"
LEFT_OVER = local_grid("2026-07-29T00:00", "Europe/Berlin", 24 * 4)  # ends on Saturday, 1 August


@pytest.mark.parametrize(
    ("words", "kw_of_august"),
    [
        ("at_least_kw: 5", 5.0),
        ("ratchet: {pct: 50}", 3.5),
        ("contract: {kw: 8, at_least_pct: 75}", 6.0),
        ("mean_of_months: 2", 7.0),  # August has no demand of its own: the mean is that of July
        ("mean_of_months: 2, at_least_kw: 5", 6.0),
        ("counted_over: year, per: year", 7.0 / 12),
        ("round_kw: {to: 1}", 0.0),
    ],
)
def test_a_day_left_over_without_a_counted_hour_is_billed(words, kw_of_august, tmp_path):
    kwh = np.ones(24 * 4)
    kwh[12] = 7.0
    kwh[80] = 9.0  # on Saturday, which does not count
    bill = billed(tariff_of(tmp_path, f"- {{{WEEKDAYS}, {words}}}"), LEFT_OVER, kwh)
    assert bill.by_period()["2026-08"] == pytest.approx(2 * kw_of_august, abs=1e-9)


def test_a_peak_reached_before_a_series_without_a_counted_hour_is_billed(tmp_path):
    saturday = local_grid("2026-10-31T00:00", "Europe/Berlin", 24)
    history = History(peak_so_far_kw={"Peak": 28.9})
    bill = billed(tariff_of(tmp_path, f"- {{{WEEKDAYS}}}"), saturday, 3.0, history=history)
    assert bill.total == pytest.approx(57.8)
    assert "before this series" in bill.lines[0].why.lines()[0]


def test_a_fee_by_steps_of_demand_is_due_without_a_counted_hour(tmp_path):
    fee = "- {kind: step_fee, name: Fee, by: Peak, steps: [{from: 0, amount: 31}, {from: 2, amount: 62}]}"
    saturday = local_grid("2026-10-31T00:00", "Europe/Berlin", 24)
    bill = billed(tariff_of(tmp_path, f"- {{{WEEKDAYS}}}\n{fee}"), saturday, 3.0)
    assert bill.by_charge()["Fee"] == pytest.approx(1.0)  # one day of 31, at 0 kW


def test_a_month_outside_the_season_still_has_no_line(tmp_path):
    bill = billed(tariff_of(tmp_path, charge("at_least_kw: 5"), SEASONS), YEAR, meter())
    assert [line.period[5:] for line in bill.lines] == ["06", "07", "08", "09"]
