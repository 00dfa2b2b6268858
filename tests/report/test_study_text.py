"""The terminal says of a study what its rows say, names what failed once, and adds up."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from optimizer.base.units import money
from optimizer.economics.assumptions import Replacement
from optimizer.economics.returns import net_present_value
from optimizer.report.study_text import study_record, study_text
from optimizer.report.study_words import (
    Names,
    advice,
    answer,
    cliff_sentences,
    columns_of,
    flow_rows,
    not_done,
    ranked_once,
    size_rows,
    size_sentence,
    source_rows,
)
from optimizer.studies.study_file import Reference
from optimizer.studies.verdict import AtSize, Sized, StudyResult
from tests.report.small_study import TERMS, failed, result, row, sized, verdict, without_money


def said(text: str) -> str:
    return " ".join(text.split())


def test_the_table_has_the_figures_of_the_rows_best_first() -> None:
    study = result([row(1, 5), row(2, 20), row(3, 10)])
    lines = study_text(study).splitlines()
    first = next(place for place, line in enumerate(lines) if "20 / 10" in line)
    for line, each in zip(lines[first:], study.ranked, strict=False):
        assert money(each["npv_usd"]) in line
        assert money(each["windows_save_over_no_battery_usd"]) in line
        assert "74 %" in line
    assert max(map(len, lines)) <= 96
    assert lines[0] == "By hand (invented)"


def test_sources_add_up_to_the_saving_shown() -> None:
    best = row(1)
    study = result([best])
    parts = source_rows(study, best)
    assert len(parts) == 5
    assert sum(amount for _words, amount in parts) == pytest.approx(
        best["windows_save_over_no_battery_usd"]
    )
    text = said(study_text(study))
    for words, amount in parts:
        assert f"{words} {money(amount)}" in text


def test_several_internal_rates_are_none_to_be_used() -> None:
    several = row(1, internal_rate_pct=None, internal_rates_found=2)
    text = said(study_text(result([several])))
    assert " several " in text
    assert text.count("none of them may be used") == 2  # of the case, and once as a caution
    none = said(study_text(result([row(1, internal_rate_pct=None, internal_rates_found=0)])))
    assert "It has no internal rate of return." in none
    assert "may be used" not in none


def test_alike_failures_are_one_line() -> None:
    reasons = [failed(n, f"no plan in {n} s (scenario.yaml:{n})") for n in range(2, 202)]
    study = result([row(1), *reasons, failed(202, "by shadow prices", "left out")])
    lines = not_done(study, Names.of(study))
    assert [line.split(":")[0] for line in lines] == ["200 cases failed", "1 case left out"]
    assert "the first is case 2" in lines[0]
    assert "1 done, 200 failed, 1 left out" in said(study_text(study))


def test_a_study_that_failed_altogether_says_so() -> None:
    text = said(study_text(result([failed(1, "out of time")])))
    assert "1 case failed: out of time" in text
    assert "CASES, BEST FIRST" not in text


def test_without_money_cases_are_ranked_by_saving() -> None:
    study = without_money([row(1, 5, with_money=False), row(2, 20, with_money=False)])
    text = said(study_text(study))
    assert "BEST FIRST BY SAVING A YEAR BY WINDOWS" in text
    assert text.index("20 / 10") < text.index("5 / 2.5")
    assert "present value" not in text
    assert "accountant" not in text
    assert "No prices are stated" in answer(study, Names.of(study))[1]
    json.dumps(study_record(study), allow_nan=False)


def test_a_case_that_loses_is_not_praised() -> None:
    lossy = row(1, npv_usd=-20.0, discounted_payback_years=None)
    study = result([lossy], verdicts=())
    assert "No case is worth what it costs" in answer(study, Names.of(study))[0]
    assert "never" in study_text(study)


def test_best_sizes_say_among_what_they_were_valued_and_what_the_plan_guessed() -> None:
    best = row(2, 20, role="best size")
    study = result([row(1), best], sized=(sized(2),))
    names = Names.of(study)
    told = size_sentence(study, names, sized(2))
    assert "20 kWh, worth" in told
    assert "the most of the 3 that were valued so of 9 sizes that are asked for" in told
    assert "points to 20 kWh" in told
    assert "first guess, in 2 plans" in told
    assert money(best["npv_usd"], "USD") in told
    assert "not proven" in size_sentence(study, names, sized(2, is_proven=False))


def test_a_best_size_that_is_not_worth_its_price_says_so() -> None:
    study = result([row(1, npv_usd=-9.0), row(2, 20, role="best size", npv_usd=-3.5)])
    told = size_sentence(study, Names.of(study), sized(2))
    assert "Even the best of them, 20 kWh, is not worth what it costs: -3.50 USD" in told.replace(
        "−", "-"
    )


def at_sizes(study: StudyResult, *sizes: AtSize) -> Sized:
    return replace(sized(1), along=sizes, case=study.ranked[0]["case"], asked=len(sizes))


@pytest.mark.parametrize(
    ("kwh", "beyond", "key"),
    [(5, "the smallest size that was looked at: a smaller one", "smaller from_kwh"),
     (20, "the largest size that was looked at: a larger one", "larger to_kwh"),
     (10, "", "")],
)  # fmt: skip
def test_a_best_size_at_an_end_of_what_was_looked_at_is_told_as_one(
    kwh: float, beyond: str, key: str
) -> None:
    rows = [
        row(n, size, npv_usd=700.0 if size == kwh else 90.0)
        for n, size in enumerate((5, 10, 20), 1)
    ]
    study = result(rows)
    names = Names.of(study)
    (told,) = advice(study, names)
    assert ("may be worth more" in told, beyond in told) == (bool(beyond), True)
    along = at_sizes(study, AtSize(5, 90.0), AtSize(10, 90.0), AtSize(20, 90.0))
    sentence = size_sentence(study, names, along)
    assert ("so the best may lie beyond" in sentence) == bool(key)
    assert key in sentence


def test_a_battery_that_loses_on_a_better_tariff_is_not_told_as_worth_it() -> None:
    """The tariff alone is worth 500; with the smallest battery 485 is left, with another 520."""
    none = row(1, 0.0, role="nothing bought", way="no battery", npv_usd=500.0)
    study = result(
        [none, row(2, 5, npv_usd=485.0), row(3, 9, npv_usd=400.0)], reference=Reference()
    )
    study = replace(study, verdicts=(verdict(study.rows[1]),))
    smallest = replace(at_sizes(study, AtSize(5, 485.0), AtSize(9, 400.0)), case=2)
    told = size_sentence(study, Names.of(study), smallest)
    assert "5 kWh, is worth 15.00 less than buying nothing on this tariff: 485.00 USD" in told
    assert "may lie beyond" not in told, "below it the best is none"
    text = said(study_text(study))
    assert (
        "it alone, with nothing bought, is worth 500.00 USD; what is bought adds -15.00 USD" in text
    )
    better = replace(study, rows=(none, row(2, 5, npv_usd=520.0), study.rows[2]))
    told = size_sentence(better, Names.of(better), smallest)
    assert (
        "worth 520.00 USD more than it costs with windows and ageing, 20.00 of it by the battery"
        in told
    )


def test_a_payback_that_a_replacement_takes_back_is_not_told_as_one() -> None:
    """Paid back after 2.75 years by the flows until then, and worth less than nothing in the end."""
    study = result([row(1, npv_usd=-20.0)], verdicts=())
    cells = [
        column.cell(study.rows[0]) for column in columns_of(study, Names.of(study), in_full=True)
    ]
    assert cells[-1] == "lost again"
    _heads, (lost, kept) = size_rows(
        study, at_sizes(study, AtSize(5, -1.0, None, 6.0, 7.0), AtSize(9, 1.0, None, 6.0, 7.0))
    )
    assert ("lost again" in lost, "7.0" in kept, "6.0" in kept) == (True, True, False)


def test_the_price_of_each_size_stands_beside_what_it_breaks_even_at() -> None:
    """A fixed sum counts in both, so that neither is held against the price of a kWh alone."""
    study = result([row(1)])
    heads, (cells,) = size_rows(study, at_sizes(study, AtSize(5, 1.0, 55.0, price=40.0)))
    assert cells[heads.index("stated price, per kWh")] == "40.00"
    assert cells[heads.index("breaks even at, per kWh")] == "55.00"


def test_where_none_pays_the_battery_nearest_to_paying_is_named() -> None:
    """A small one may break even at more a kWh, but its fixed sum is farther off."""
    rows = [
        row(1, 2, npv_usd=-500.0, break_even_price_usd_per_kwh=400.0, price_usd_per_kwh=830.0),
        row(2, 10, npv_usd=-900.0, break_even_price_usd_per_kwh=300.0, price_usd_per_kwh=470.0),
    ]
    (told,) = advice(result(rows), Names.of(result(rows)))
    assert "must cost 300.00 USD a kWh or less to pay, all of it counted (10 kWh" in told
    assert "stated: 470.00" in told
    leased = [each | {"price_usd_per_kwh": None} for each in rows]
    (told,) = advice(result(leased), Names.of(result(leased)))
    assert "it is leased" in told
    assert "stated" not in told


def test_why_the_number_of_replacements_changes_is_told_as_it_is() -> None:
    along = AtSize(5, -3.0, replacements=1), AtSize(7, 4.0), AtSize(9, 5.0, replacements=3)
    study = result([row(1)])
    by_use = cliff_sentences(study, at_sizes(study, *along))
    assert by_use == [
        "A battery of 5 kWh is replaced once within the years, one of 7 kWh not replaced, for each of its"
        " kWh is used less: there the net present value goes from -3.00 USD to 4.00.",
        "A battery of 7 kWh is not replaced within the years, one of 9 kWh replaced 3 times, for each of its"
        " kWh is used more: there the net present value goes from 4.00 USD to 5.00.",
        "replacement.only_if_it_pays leaves out a replacement that is not earned again.",
    ]
    rule = Replacement(below_pct=70, only_if_it_pays=True)
    pays = replace(study, terms=TERMS.model_copy(update={"replacement": rule}))
    assert all(
        "for so often it pays" in each for each in cliff_sentences(pays, at_sizes(pays, *along))
    )


def test_a_best_size_whose_windows_failed_is_no_more_than_a_guess() -> None:
    study = result([row(1), failed(2, "no")])
    assert "no more than a guess: its windows failed" in size_sentence(
        study, Names.of(study), sized(2)
    )


def test_a_best_size_that_is_listed_already_stands_once() -> None:
    study = result([row(1, 5), row(2, 10), row(3, 10, role="best size")])
    assert [each["case"] for each in ranked_once(study)] == [2, 1]


def test_cautions_stand_once_and_tariffs_are_told_apart() -> None:
    other = row(2, 10, tariff="peak", tariff_name="Peak demand")
    text = said(study_text(result([row(1, 10), other])))
    assert text.count("The past is no promise") == text.count("estimates from a forecast") == 1
    assert text.count("run by no equipment") == text.count("accountant") == 1
    assert "what a change of tariff brings by itself does not count" in text
    assert "What a change of tariff" not in study_text(result([row(1), row(2, 5)]))


def test_names_are_as_short_as_tells_them_apart() -> None:
    rows = [row(1, site="north/oak"), row(2, site="south/oak", load_times=1.2), row(3, site="elm")]
    names = Names.of(result(rows))
    assert list(names.sites.values()) == ["north/oak", "south/oak", "elm"]
    alike = Names.of(result([row(1), row(2, tariff="tariffs/new.yaml")]))
    assert alike.tariff(row(2, tariff="tariffs/new.yaml")) == "Two rates (new)"
    varied = result([row(1), row(2, load_times=1.2)])
    assert Names.of(varied).otherwise(varied.rows[1]) == "load × 1.2"
    assert "otherwise" in [c.heading for c in columns_of(varied, Names.of(varied), in_full=True)]


def test_the_flow_adds_up_to_the_net_present_value() -> None:
    flow = verdict(row(1)).money.flow
    rows = flow_rows(flow)
    assert rows[-1]["discounted_so_far"] == pytest.approx(net_present_value(0.05, flow.net))
    for each in rows:
        parts = {k: v for k, v in each.items() if k not in {"year", "net", "discounted_so_far"}}
        assert sum(parts.values()) == pytest.approx(each["net"])


def test_the_record_holds_everything_as_plain_data() -> None:
    study = result([row(1), failed(2, "no")], sized=(sized(1),))
    record = json.loads(json.dumps(study_record(study), allow_nan=False))
    assert record["rows"][0] == row(1)
    assert record["ranked_cases"] == [1]
    (closely,) = record["verdicts"]
    assert closely["chances"]["npv"]["p50"] == pytest.approx(200.0)
    assert closely["swings"][1]["npv_low"] is None
    assert sum(closely["sources"].values()) == pytest.approx(
        row(1)["windows_save_over_no_battery_usd"]
    )
    assert record["money"]["years"] == TERMS.years
    assert record["manifest"]["cases"] == 2


def test_a_measure_other_than_no_battery_is_said() -> None:
    terms = TERMS.model_copy(update={"against": "neither"})
    own = row(1, against="neither", saves_usd=999.0)
    text = said(study_text(replace(result([own]), terms=terms)))
    assert "999.00" in text
    assert "with neither PV nor battery" in text
