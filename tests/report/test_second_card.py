"""What a second card is worth stands in text, page, record and files alike; files are not left behind."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.base.units import money
from optimizer.evaluation.second_card import Judged, SecondCard
from optimizer.report.files import write_result
from optimizer.report.page import report_html
from optimizer.report.record import plan_record
from optimizer.report.second_card import second_card_sentences
from optimizer.report.text import summary
from optimizer.scenario.brief import read_brief
from optimizer.search.second_card import Cards
from optimizer.settings.check import read_settings
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.workflows.plan import PlanResult, plan
from optimizer.workflows.tomorrow import RuleOfCards, rule_of, tomorrow
from tests.report.browsing import ten_weeks_of_spring

JUDGED = Judged(
    one=(100.0, 100.0), two=(123.25, 121.25), coin=(104.0, 106.0), perfect=(140.0, 142.0), switches=66
)  # fmt: skip
FILES = {"settings_bright.yaml", "settings_dark.yaml", "two_cards.yaml"}


def card(name: str, level: float) -> Settings:
    """Return a card that fills at night in one set of months, and has no windows in the other."""
    fill = Window(start="01:00", end="05:00", action="charge", until_pct=level)
    return Settings(
        settings=name,
        floor_pct=10,
        seasons=[
            SeasonSet(months=[5], day_sets=[DaySet(days="every day", windows=[fill])]),
            SeasonSet(months=[4, 6], day_sets=[DaySet(days="every day")]),
        ],
    )


CARDS = Cards(card("bright", 35), card("dark", 85), ((5,), (4, 6)), (18.0, 0.0), 1)


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> PlanResult:
    """A quick plan of ten weeks in spring: nothing is asked about a second card."""
    folder = tmp_path_factory.mktemp("site")
    ten_weeks_of_spring(folder)
    return plan(read_brief(folder), effort="quick")


@pytest.fixture
def worth_it(planned: PlanResult) -> PlanResult:
    return replace(planned, second_card=SecondCard(JUDGED, 1.0, 5.0, 1 / 6, CARDS))


def plain(text: str) -> str:
    return " ".join(text.split())


def test_quick_plans_ask_nothing_and_say_nothing(planned: PlanResult) -> None:
    assert planned.second_card is None
    assert second_card_sentences(planned) == []
    assert "SECOND CARD" not in summary(planned)
    assert plan_record(planned)["second_card"] is None


def test_text_page_and_record_say_the_same(worth_it: PlanResult) -> None:
    text, html, record = summary(worth_it), report_html(worth_it), plan_record(worth_it)
    told = record["second_card"]
    assert told["recommended"]
    assert told["saves_more"] == pytest.approx(22.25)
    assert told["saves_more_than_a_coin"] == pytest.approx(17.25)
    assert told["saves_more_with_a_perfect_forecast"] == pytest.approx(41.0)
    assert told["asked"] == pytest.approx(5.0 + 66 / 6)
    assert told["rules"] == [
        {"months": [5], "below_kwh": 18.0},
        {"months": [4, 6], "below_kwh": 0.0},
    ]
    assert json.loads(json.dumps(told)) == told
    for words in (plain(text), plain(html.replace("&#39;", "'"))):
        assert f"save {money(22.25, worth_it.currency)} more" in words
        assert "May: if tomorrow's PV is expected below 18 kWh, use card B, else card A" in words
        assert "April, June: card A" in words
    assert "charge to 85 %" in plain(text)
    assert "Card B, dark days" in html


def test_ids_of_the_three_cards_differ_on_the_page(worth_it: PlanResult) -> None:
    html = report_html(worth_it)
    for name in ('id="a-day-1-1-1', 'id="b-day-1-1-1'):
        assert html.count(f"{name}-charge") == 1


@pytest.mark.parametrize(
    ("second", "said"),
    [
        (SecondCard(JUDGED, 4.0, 5.0, 1 / 6), "where 31.00 are asked"),
        (
            SecondCard(replace(JUDGED, coin=(130.0, 130.0)), 1.0, 5.0, 0.0),
            "but 7.75 less than a coin",
        ),
        (
            SecondCard(replace(JUDGED, two=(90.0, 94.0)), 1.0, 5.0, 1 / 6),
            "it loses 8.00",
        ),
        (
            SecondCard(Judged((9.0,), (9.0,), (9.0,), (9.0,), 0.0), 0.0, 5.0, 0.0),
            "none was found",
        ),
    ],
)
def test_what_is_not_worth_it_is_one_line(
    planned: PlanResult, second: SecondCard, said: str
) -> None:
    result = replace(planned, second_card=second)
    (sentence,) = second_card_sentences(result)
    assert said in sentence
    assert sentence.startswith("A second card for dark days was tried:")
    assert plain(sentence) in plain(summary(result))
    assert plan_record(result)["second_card"]["recommended"] is False


def test_files_are_written_read_back_and_gone_once_one_card_is_enough(
    worth_it: PlanResult, planned: PlanResult, tmp_path: Path
) -> None:
    scenario = worth_it.scenario
    assert {path.name for path in write_result(worth_it, tmp_path)} >= FILES
    for name, settings in (("bright", CARDS.bright), ("dark", CARDS.dark)):
        path = tmp_path / f"settings_{name}.yaml"
        assert read_settings(path, scenario.controls, scenario.plant) == settings
    day = worth_it.scenario.forecast.grid.dates[40]
    assert day.month == 5
    assert tomorrow(tmp_path, 17.9, day).card == "B"
    assert tomorrow(tmp_path, 18.0, day).settings == CARDS.bright
    write_result(planned, tmp_path)
    assert not FILES & {path.name for path in tmp_path.iterdir()}
    assert tomorrow(tmp_path, 0.0, day).card == ""


def test_the_rule_of_cards_says_what_the_cards_do() -> None:
    rule = rule_of(CARDS)
    assert isinstance(rule, RuleOfCards)
    assert rule.switched_at == "20:00"
    assert [rule.below_in(month) for month in (4, 5, 6, 7)] == [
        CARDS.below_in(month) for month in (4, 5, 6, 7)
    ]
