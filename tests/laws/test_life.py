"""Years of a battery and their money, worked out on paper beside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import pyxirr
from pydantic import ValidationError

from optimizer.economics.assumptions import Terms
from optimizer.economics.best_size import at_cliffs
from optimizer.economics.cash_flow import (
    Fading,
    Life,
    Money,
    Size,
    WarrantyCurve,
    Wear,
    YearFigures,
    cash_flow,
    life_of,
    worth_of,
)
from optimizer.economics.monte_carlo import Draws, chances_of
from optimizer.economics.returns import annuity_factor, net_present_value
from optimizer.economics.valued import Part, Years, break_even_price, summary_of

SIZE = Size(10.0, 5.0, 6.0)


def figures(wear: Wear) -> YearFigures:
    """A battery whose saving falls with the square root of its capacity."""
    return YearFigures(100 * wear.health**0.5, 120 * wear.health, 200.0, 2000 * wear.health)


def lived(terms: Terms, fading: Fading) -> tuple[Life, list[Wear]]:
    asked: dict[Wear, YearFigures] = {}
    while isinstance(life := life_of(terms, fading, asked.get), Wear):
        assert life not in asked
        asked[life] = figures(life)
    return life, list(asked)


def test_a_battery_that_does_not_fade_is_planned_once() -> None:
    life, asked = lived(Terms(discount_pct=5, years=12), Fading())
    assert asked == [Wear()]
    np.testing.assert_array_equal(life.saved, 100.0)
    np.testing.assert_array_equal(life.health, 1.0)


def test_time_and_use_add_up_and_chosen_years_are_planned() -> None:
    """1 % by time and 200 of 1000 cycles of 5 %, 2 % in all a year."""
    fading = Fading(calendar_pct_per_year=1, pct_per_1000_cycles=5, replan_every_years=4)
    life, asked = lived(Terms(discount_pct=5, years=10), fading)
    np.testing.assert_allclose(life.health, 1 - 0.02 * np.arange(10))
    assert [year for year, _ in life.planned] == [0, 4, 8, 9]
    assert [wear.health for wear in asked] == [1.0, 0.92, 0.84, 0.82]
    planned = [100 * health**0.5 for health in (1.0, 0.92, 0.84, 0.82)]
    np.testing.assert_allclose(life.saved[[0, 4, 8, 9]], planned)
    np.testing.assert_allclose(life.saved[2], (planned[0] + planned[1]) / 2)


def test_a_battery_is_replaced_below_its_share_and_no_line_runs_over_to_the_new_one() -> None:
    terms = Terms.model_validate(
        {"discount_pct": 5, "years": 12, "replacement": {"below_pct": 90.0}}
    )
    fading = Fading(calendar_pct_per_year=3, replan_every_years=10)
    life, _ = lived(terms, fading)
    np.testing.assert_allclose(life.health, [1, 0.97, 0.94, 0.91] * 3)
    assert np.flatnonzero(life.is_new).tolist() == [4, 8]
    assert [year for year, _ in life.planned] == [0, 3, 4, 7, 8, 11]
    np.testing.assert_allclose(life.saved[4], 100.0)


def test_a_battery_is_replaced_after_its_years() -> None:
    terms = Terms.model_validate(
        {"discount_pct": 5, "years": 7, "battery": {"per_kwh": 100.0, "fixed": 50.0},
         "replacement": {"after_years": 3, "price_changes_pct_per_year": -10.0}}
    )  # fmt: skip
    life, _ = lived(terms, Fading(calendar_pct_per_year=5))
    assert np.flatnonzero(life.is_new).tolist() == [3, 6]
    flow = cash_flow(terms, life, SIZE)
    assert flow.investment.tolist() == [-1050.0, *[0.0] * 7]
    np.testing.assert_allclose(flow.replacement[[3, 6]], [-1050 * 0.9**3, -1050 * 0.9**6])
    assert np.count_nonzero(flow.replacement) == 2


def test_the_pv_loses_its_share_from_the_second_year_on() -> None:
    life, _ = lived(
        Terms(discount_pct=5, years=25), Fading(pv_loses_pct_per_year=0.5, replan_every_years=30)
    )
    assert life.pv[0] == 1.0
    assert life.pv[24] == pytest.approx(0.886654, abs=5e-4)  # E10, to the digits that are planned


TERMS = Terms.model_validate({
    "years": 4, "discount_pct": 6.0, "prices_rise_pct_per_year": 3.0,
    "battery": {"fixed": 200.0, "per_kwh": 30.0, "per_kw": 10.0}, "inverter": {"per_kw": 20.0},
    "incentive": {"share_pct": 50.0, "at_most": 100.0, "amount": 30.0},
    "operating": {"per_year": 5.0, "per_kwh_per_year": 0.5, "rises_pct_per_year": 2.0},
    "residual": {"share_pct": 40.0, "worthless_pct": 60.0}, "taxes_per_year": [1.0, 2.0, -3.0, 4.0],
})  # fmt: skip


def test_every_part_of_the_money_is_what_paper_says() -> None:
    life, _ = lived(TERMS, Fading(calendar_pct_per_year=2.5, replan_every_years=1))
    flow = cash_flow(TERMS, life, SIZE)
    assert flow.investment[0] == -(200 + 300 + 50 + 120)
    assert flow.incentive[0] == 100 + 30
    np.testing.assert_allclose(flow.operating[1:], [-10 * 1.02**year for year in range(4)])
    np.testing.assert_allclose(flow.taxes[1:], [-1, -2, 3, -4])
    health = np.array([1, 0.975, 0.95, 0.925])
    np.testing.assert_allclose(flow.saving[1:], 100 * health**0.5 * 1.03 ** np.arange(4))
    assert flow.residual[-1] == pytest.approx(550 * 0.4 * (0.9 - 0.6) / 0.4)  # after four years
    parts = (flow.investment, flow.incentive, flow.replacement, flow.operating, flow.taxes,
             flow.saving, flow.residual)  # fmt: skip
    np.testing.assert_allclose(flow.net, np.sum(parts, axis=0))
    of_plan = Money.of(TERMS, life, SIZE).flow_of_plan
    np.testing.assert_allclose(of_plan.saving[1:], 120 * health * 1.03 ** np.arange(4))


def test_an_even_saving_is_worth_its_annuity() -> None:
    """E01's factor: 100 a year for 15 years at 3 % is 1,193.79."""
    terms = Terms.model_validate({"discount_pct": 3.0, "years": 15, "battery": {"fixed": 1000.0}})
    life, _ = lived(terms, Fading())
    worth = worth_of(cash_flow(terms, life, SIZE))
    assert worth.npv == pytest.approx(100 * annuity_factor(0.03, 15) - 1000)
    assert worth.npv == pytest.approx(193.79, abs=0.005)
    assert worth.payback_years == pytest.approx(10.0)
    assert worth.benefit_cost_ratio == pytest.approx(1.19379, abs=1e-5)
    assert worth.levelised == pytest.approx(1000 / (2000 * 11.93794), rel=1e-6)
    assert net_present_value(worth.rate, cash_flow(terms, life, SIZE).net) == pytest.approx(
        0, abs=1e-6
    )


def test_nominal_and_real_terms_of_the_same_prospects_come_to_the_same() -> None:
    """E09: 5 % real and 2.5 % inflation are 7.625 % nominal.

    Prices of year 1 are as stated in either kind: in nominal money they are those of a year later, so
    what is saved is worth the inflation of one year less.
    """
    base = {"years": 10, "battery": {"fixed": 700.0}, "inflation_pct": 2.5}
    real = Terms.model_validate(base | {"rates_are": "real", "discount_pct": 5.0})
    nominal = Terms.model_validate(
        base | {"rates_are": "nominal", "discount_pct": 7.625, "prices_rise_pct_per_year": 2.5}
    )
    life, _ = lived(real, Fading())
    of_real, of_nominal = (worth_of(cash_flow(each, life, SIZE)) for each in (real, nominal))
    assert of_nominal.npv + 700 == pytest.approx((of_real.npv + 700) / 1.025)
    assert real.both_kinds(0.05) == pytest.approx((0.07625, 0.05))
    assert nominal.both_kinds(0.07625) == pytest.approx((0.07625, 0.05))


def test_a_replacement_that_is_not_earned_again_is_told() -> None:
    """200 earned by 100 a year in two years; 200 paid again in the third, and only 100 earned since."""
    terms = Terms.model_validate(
        {
            "years": 4,
            "discount_pct": 0.0,
            "battery": {"fixed": 200.0},
            "replacement": {"after_years": 3},
        }
    )
    life, _ = lived(terms, Fading())
    worth = worth_of(cash_flow(terms, life, SIZE))
    assert worth.payback_years == pytest.approx(2.0)
    assert worth.npv == pytest.approx(0.0)
    assert worth.stays_paid_back
    dearer = Terms.model_validate(
        {"years": 4, "discount_pct": 0.0, "battery": {"fixed": 190.0},
         "replacement": {"after_years": 3, "price_changes_pct_per_year": 10.0}}
    )  # fmt: skip
    worth = worth_of(cash_flow(dearer, life, SIZE))
    assert worth.payback_years == pytest.approx(1.9)
    assert worth.npv == pytest.approx(400 - 190 - 190 * 1.1**3)
    assert not worth.stays_paid_back


def test_several_rates_are_none_to_rank_by() -> None:
    """E07's trap: two rates above zero, so no single one is told."""
    zero = np.zeros(5)
    net = np.array([-5, 10.5, 1, -8, 1])
    life, _ = lived(Terms(discount_pct=5, years=4), Fading())
    flow = cash_flow(Terms(discount_pct=5, years=4), life, SIZE)
    changed = type(flow)(net, zero, zero, zero, zero, zero, zero, zero, zero, 0.05)
    worth = worth_of(changed)
    assert worth.rate is None
    assert worth.rates == pytest.approx((0.0886, 0.7096), abs=1e-4)


def test_no_spread_gives_the_expected_value_and_a_spread_goes_around_it() -> None:
    life, _ = lived(TERMS, Fading(calendar_pct_per_year=2.5, replan_every_years=1))
    flow = cash_flow(TERMS, life, SIZE)
    same = life.saved[:, None, None] * np.ones((4, 3, 2))
    sure = chances_of(Draws(members=50, prices_rise_sd_pct=0), TERMS, life, flow, same)
    np.testing.assert_allclose(sure.npv, worth_of(flow).npv)
    np.testing.assert_allclose(sure.first_saving, 100.0)
    levels = same * np.array([0.8, 1.0, 1.2])[None, :, None]
    wide = chances_of(Draws(members=4000, prices_rise_sd_pct=2), TERMS, life, flow, levels)
    low, middle, high = wide.quantiles()["npv"]
    assert low < worth_of(flow).npv < high
    assert middle == pytest.approx(worth_of(flow).npv, abs=15)
    again = chances_of(Draws(members=4000, prices_rise_sd_pct=2), TERMS, life, flow, levels)
    np.testing.assert_array_equal(wide.npv, again.npv)
    other = chances_of(Draws(members=4000, seed=2), TERMS, life, flow, levels)
    assert not np.array_equal(wide.npv, other.npv)


def test_levels_of_load_are_middles_of_equal_shares_of_a_normal_law() -> None:
    """Quantiles of the standard normal law at 0.1, 0.3, 0.5: −1.2816, −0.5244, 0 (any table)."""
    factors = Draws(load_levels=5, load_sd_pct=10).load_factors()
    np.testing.assert_allclose(factors[:3], [1 - 0.12816, 1 - 0.05244, 1.0], atol=1e-5)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"taxes_per_year": [1.0, 2.0]}, "2 sums for 15 years"),
        ({"replacement": {}}, "neither is given"),
        ({"replacement": {"after_years": 3, "below_pct": 70.0}}, "both is given"),
        ({"sources": {"batery": "a quote"}}, "no part of money"),
    ],
)
def test_terms_that_contradict_themselves_are_refused(wrong: dict, words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Terms.model_validate({"discount_pct": 5.0} | wrong)


def _two_years(saved: float, before: float = 0.0) -> Life:
    ones = np.ones(2)
    return Life(
        ones, ones, saved * ones, saved * ones, 0 * ones, ones > 0, ones < 0, 1.0, before * ones
    )


def test_a_battery_breaks_even_where_what_is_paid_is_what_is_saved() -> None:
    """100 a year for two years at 10 % are 100/1.1 + 100/1.21; four fifths of 10 kWh are paid."""
    terms = Terms(
        discount_pct=10, years=2, battery={"fixed": 7, "per_kwh": 999}, incentive={"share_pct": 20}
    )
    assert break_even_price([_part(terms, 100)]) == pytest.approx((100 / 1.1 + 100 / 1.21) / 8)
    nothing = Years(Size(0.0, 0.0, 0.0), {Wear(): YearFigures(24, 24, 0, 0)})
    beside = break_even_price([replace(_part(terms, 100), bare=nothing)])
    assert beside == pytest.approx((76 / 1.1 + 76 / 1.21) / 8), "doing without saves 24 a year"
    dear = terms.model_copy(
        update={"operating": terms.operating.model_copy(update={"per_year": 101})}
    )
    assert break_even_price([_part(dear, 100)]) is None
    given = terms.model_copy(
        update={"incentive": terms.incentive.model_copy(update={"share_pct": 100})}
    )
    assert break_even_price([_part(given, 100)]) is None, "any price is given back"


def _part(terms: Terms, saved: float, times: int = 1, size: Size = SIZE) -> Part:
    years = Years(size, {Wear(): YearFigures(saved, saved, 0, 0)})
    return Part(terms, Fading(), None, years, has_price=True, times=times)


def test_nothing_bought_costs_nothing_and_what_stands_is_only_run() -> None:
    """A fixed sum of 500 is no price of no battery; 12 a year are the cost of one that stands."""
    terms = Terms(
        discount_pct=10,
        years=2,
        battery={"fixed": 500},
        operating={"per_year": 12},
        taxes_per_year=3,
    )
    none = cash_flow(terms, _two_years(0), Size(0.0, 0.0, 0.0))
    assert none.net.tolist() == [0, 0, 0]
    stands = cash_flow(terms, _two_years(0), Size(10.0, 5.0, 0.0, stands=True))
    assert stands.net.tolist() == [0, -12, -12]
    bought = cash_flow(terms, _two_years(0), Size(10.0, 5.0, 0.0))
    assert bought.net.tolist() == [-500, -15, -15]


def test_cost_is_the_same_whatever_it_is_measured_from() -> None:
    """Bills of 300 a year and a battery of 50; today's are 400 with a battery that costs 12 a year to run."""
    terms = Terms(discount_pct=10, years=2, battery={"per_kwh": 5}, operating={"per_year": 12})
    discounted = 1 / 1.1 + 1 / 1.21
    alone = worth_of(cash_flow(terms, _two_years(-300), SIZE))
    cost = 50 + 312 * discounted
    assert alone.cost == pytest.approx(cost)
    today = _two_years(-400)
    flow = cash_flow(terms, today, Size(8.0, 4.0, 0.0, stands=True))
    measured = Money.of(terms, _two_years(-300).over(today), SIZE, flow).worth
    assert measured.npv == pytest.approx(412 * discounted - cost)
    assert measured.cost == pytest.approx(cost)
    by_bill = worth_of(cash_flow(terms, _two_years(100, before=400), SIZE))
    assert by_bill.cost == pytest.approx(cost)


def test_a_battery_is_replaced_at_most_so_often_and_then_goes_on_as_it_fades() -> None:
    terms = Terms.model_validate(
        {"discount_pct": 5, "years": 12, "replacement": {"below_pct": 90.0, "at_most": 1}}
    )
    life, _ = lived(terms, Fading(calendar_pct_per_year=3, replan_every_years=10))
    expected = [1, 0.97, 0.94, 0.91, *(1 - 0.03 * np.arange(8))]
    np.testing.assert_allclose(life.health, expected)
    assert (life.replacements, life.health_after) == (1, pytest.approx(1 - 0.03 * 8))
    none, _ = lived(terms.replacing_at_most(0), Fading(calendar_pct_per_year=3))
    assert none.replacements == 0
    np.testing.assert_allclose(none.health, 1 - 0.03 * np.arange(12))


def test_parts_of_the_bill_rise_as_is_said_of_each() -> None:
    """Of 100 saved, 70 are import, -10 export, 25 demand and 15 the rest, in prices of year 1."""
    terms = Terms.model_validate({
        "discount_pct": 7, "years": 3, "prices_rise_pct_per_year": 2,
        "rises": {"import_pct": 5, "export_pct": -4},
    })  # fmt: skip
    parts = (70.0, -10.0, 25.0, 80.0, 0.0, 20.0, 400.0, -50.0, 90.0)
    life = life_of(terms, Fading(), {Wear(): YearFigures(100, 130, 0, 0, 500, parts)}.get)
    assert isinstance(life, Life)
    flow = cash_flow(terms, life, Size(0.0, 0.0, 0.0))
    years = range(3)
    saving = [70 * 1.05**y - 10 * 0.96**y + 25 * 1.02**y + 15 * 1.02**y for y in years]
    np.testing.assert_allclose(flow.saving[1:], saving)
    by_plan = cash_flow(terms, life, Size(0.0, 0.0, 0.0), of_plan=True)
    np.testing.assert_allclose(by_plan.saving[1:], [80 * 1.05**y + 50 * 1.02**y for y in years])
    before = [400 * 1.05**y - 50 * 0.96**y + 150 * 1.02**y for y in years]
    np.testing.assert_allclose(flow.before[1:], before)
    # measured from a reference whose own bill is 500: the same parts, the other way round
    own = (-330.0, 40.0, -65.0, -320.0, 50.0, -70.0, 0.0, 0.0, 0.0)
    today = (-400.0, 50.0, -90.0, -400.0, 50.0, -90.0, 0.0, 0.0, 0.0)
    lives = [
        life_of(terms, Fading(), {Wear(): YearFigures(-bill, -bill, 0, 0, 0, each)}.get)
        for bill, each in ((400, own), (500, today))
    ]
    assert isinstance(lives[0], Life)
    assert isinstance(lives[1], Life)
    over = lives[0].over(lives[1])
    np.testing.assert_allclose(over.in_prices_of_each_year(terms)[0], saving)
    np.testing.assert_allclose(over.in_prices_of_each_year(terms)[2], before)


def test_without_rises_of_their_own_nothing_changes_to_the_last_digit() -> None:
    terms = Terms(discount_pct=7, years=20, prices_rise_pct_per_year=2.7)
    given = {Wear(): YearFigures(100.1, 130.3, 0, 0, 500, (70.7, -10.1, 25.3) * 3)}
    life = life_of(terms, Fading(), given.get)
    assert isinstance(life, Life)
    flow = cash_flow(terms, life, SIZE)
    assert flow.saving[1:].tolist() == (100.1 * 1.027 ** np.arange(20)).tolist()


def test_a_loan_is_paid_back_in_equal_sums_that_are_worth_what_was_lent() -> None:
    """Of 670 less 130 given, 80 % are lent at 4 %; interest is reckoned on what is owed, year by year."""
    terms = TERMS.model_copy(update={"loan": {"share_pct": 80, "rate_pct": 4, "years": 3}})
    terms = Terms.model_validate(terms.model_dump(warnings=False))
    life, _ = lived(terms, Fading())
    flow = cash_flow(terms, life, SIZE)
    lent = 0.8 * (670 - 130)
    assert flow.financing[0] == pytest.approx(lent)
    owed = lent
    for paid in -flow.financing[1:]:
        owed = owed * 1.04 - paid
    assert owed == pytest.approx(0.0, abs=1e-9)
    assert flow.financing[1] == flow.financing[3] != 0
    assert flow.financing[4] == 0
    at_its_own_rate = terms.model_copy(update={"discount_pct": 4.0})
    without = at_its_own_rate.model_copy(update={"loan": None})
    npvs = [
        net_present_value(each.rate, each.net)
        for each in (cash_flow(at_its_own_rate, life, SIZE), cash_flow(without, life, SIZE))
    ]
    assert npvs[0] == pytest.approx(npvs[1]), "a loan at the discount rate changes nothing"


def test_a_loan_agrees_with_a_library_and_what_is_owed_at_the_end_is_paid() -> None:
    terms = Terms.model_validate({
        "discount_pct": 6, "years": 5, "battery": {"fixed": 1000},
        "loan": {"rate_pct": 3.5, "years": 12},
    })  # fmt: skip
    life, _ = lived(terms, Fading())
    flow = cash_flow(terms, life, SIZE)
    payment = pyxirr.pmt(0.035, 12, 1000)
    left = pyxirr.pv(0.035, 7, payment)
    np.testing.assert_allclose(flow.financing, [1000, *[payment] * 4, payment - left])


def test_nominal_and_real_terms_of_the_same_loan_come_to_the_same() -> None:
    """A loan is a sum in the money of each year: in real terms inflation takes from it."""
    said = {"years": 6, "battery": {"fixed": 1000}, "inflation_pct": 3,
            "loan": {"rate_pct": 5, "years": 6}}  # fmt: skip
    nominal = Terms.model_validate({**said, "discount_pct": 7, "prices_rise_pct_per_year": 3})
    real = Terms.model_validate({
        **said, "discount_pct": 100 * (1.07 / 1.03 - 1), "rates_are": "real",
    })  # fmt: skip
    life, _ = lived(nominal, Fading())
    worths = [
        net_present_value(flow.rate, flow.financing)
        for flow in (cash_flow(each, life, SIZE) for each in (nominal, real))
    ]
    assert worths[0] == pytest.approx(worths[1])
    assert worths[0] > 0, "it costs less than the discount rate"


def test_a_lease_is_paid_each_year_in_place_of_a_price() -> None:
    terms = Terms.model_validate({
        "discount_pct": 10, "years": 3, "inverter": {"per_kw": 20},
        "lease": {"per_year": 12, "per_kwh_per_year": 3, "rises_pct_per_year": 5},
    })  # fmt: skip
    life, _ = lived(terms, Fading())
    flow = cash_flow(terms, life, SIZE)
    np.testing.assert_allclose(flow.financing, [0, -42, -42 * 1.05, -42 * 1.05**2])
    assert flow.investment[0] == -120, "the inverter is bought"
    stands = cash_flow(terms, life, Size(10.0, 5.0, 0.0, stands=True))
    assert not stands.financing.any()
    for other in ({"battery": {"fixed": 1}}, {"loan": {"rate_pct": 1, "years": 1}}):
        with pytest.raises(ValidationError, match="leased"):
            Terms.model_validate({**terms.model_dump(exclude_unset=True), **other})


def test_a_warrantys_curve_is_followed_by_time_or_use_whichever_comes_first() -> None:
    """Ten years or 4000 cycles to 70 %, 90 % at half of it; 200 cycles a year are less than a tenth."""
    curve = WarrantyCurve(years=10, cycles=4000, left_pct=[90, 70])
    terms = Terms(discount_pct=5, years=12)
    life, _ = lived(terms, Fading(warranty=curve))
    expected = [1 - 0.02 * year if year <= 5 else 0.9 - 0.04 * (year - 5) for year in range(12)]
    np.testing.assert_allclose(life.health, expected, atol=5e-4)
    by_use, _ = lived(terms, Fading(warranty=WarrantyCurve(years=10, cycles=1000, left_pct=[70])))
    np.testing.assert_allclose(by_use.health, 1 - 0.06 * np.arange(12), atol=5e-4)
    twice = Fading(warranty=curve).times(2)
    np.testing.assert_allclose(lived(terms, twice)[0].health[:6], 1 - np.array(
        [0, 0.04, 0.08, 0.14, 0.22, 0.30]), atol=0.03)  # fmt: skip
    assert twice.warranty is not None
    assert (twice.warranty.years, twice.warranty.cycles) == (5, 2000)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"warranty": {"years": 10, "left_pct": [80, 90]}}, "rises"),
        ({"warranty": {"years": 10, "left_pct": [80]}, "calendar_pct_per_year": 1}, "its own"),
    ],
)
def test_ageing_that_contradicts_itself_is_refused(wrong: dict, words: str) -> None:
    with pytest.raises(ValidationError, match=words):
        Fading.model_validate(wrong)


def test_a_cliff_of_replacements_is_closed_in_on() -> None:
    """Two replacements up to 17, one from 18 on: only sizes between known ones that differ are asked for."""
    sizes = [float(size) for size in range(1, 31)]
    known = {1.0: 2, 30.0: 1}
    asked = []
    while wanted := at_cliffs(sizes, known):
        asked += wanted
        known |= {size: 2 if size < 18 else 1 for size in wanted}
    assert {17.0, 18.0} <= set(known)
    assert len(asked) <= 5, "as many as it takes to halve thirty"
    assert at_cliffs(sizes, {1.0: 1, 30.0: 1}) == []


def test_the_money_of_several_sites_is_the_sum_of_theirs_year_by_year() -> None:
    """Three save 100 a year and two 40, each with 10 kWh for 120: 380 a year for 600, at 10 %."""
    terms = Terms(discount_pct=10, years=2, battery={"fixed": 20, "per_kwh": 10})
    parts = [_part(terms, 100, times=3), _part(terms, 40, times=2)]
    found = summary_of(parts)
    discounted = 380 / 1.1 + 380 / 1.21
    assert found.worth.npv == pytest.approx(discounted - 600)
    assert found.investment == 600
    assert found.worth.payback_years == pytest.approx(600 / 380)
    assert found.worth.rate == pytest.approx(pyxirr.irr([-600, 380, 380]))
    assert found.break_even == pytest.approx(discounted / 50)
    one, other = (summary_of([_part(terms, saved)]) for saved in (100, 40))
    assert found.worth.npv == pytest.approx(3 * one.worth.npv + 2 * other.worth.npv)
