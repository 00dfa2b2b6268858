"""A ``scenario.yaml`` that was changed by hand, and badly: the page shows it, and takes answers."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.page.registry import PARTS
from optimizer.scenario.questions import QUESTIONS
from tests.page.serving import asked

BEGIN = "scenario: Tarn Hollow\n"
ZONE = "zone: Europe/Dublin\n"
ODD = {
    "a zone that is none": BEGIN + "zone: Europe/Dubling\n",
    "a zone that is a number": BEGIN + "zone: 5\n",
    "meters that are a number": BEGIN + ZONE + "forecast: {load: {meters: 5}}\n",
    "meters by name": BEGIN + ZONE + "forecast: {load: {meters: {a.csv: 1}}}\n",
    "a load that is a number": BEGIN + ZONE + "forecast: {load: 5}\n",
    "a year that is a word": BEGIN + ZONE + "tariff: two_rates\nforecast: {load: {kwh_per_year: much}}\n",
    "a year below nought": BEGIN + ZONE + "tariff: two_rates\nforecast: {load: {kwh_per_year: -.inf}}\n",
    "a profile that is none": BEGIN + ZONE + "tariff: two_rates\nforecast: {load: {kwh_per_year: 3500, profile: H7}}\n",
    "a profile by number": BEGIN + ZONE + "tariff: two_rates\nforecast: {load: {kwh_per_year: 3500, profile: 7}}\n",
    "a rare profile": BEGIN + ZONE + "tariff: two_rates\nforecast: {load: {kwh_per_year: 3500, profile: G5}}\n",
    "equipment that is a list": BEGIN + ZONE + "inverter:\n  - ac_limit_kw: 6\nbattery: [5]\npv: 3\n",
}  # fmt: skip


@pytest.mark.parametrize("text", ODD.values(), ids=ODD.keys())
def test_each_part_is_shown(tmp_path: Path, text: str) -> None:
    page = asked(tmp_path)
    (tmp_path / "scenario.yaml").write_text(text, encoding="utf-8")
    for name in ("", *(part.name for part in PARTS)):
        shown = page.client.get(f"{page.room}/{name}", headers=page.headers())
        assert shown.status_code == 200, name


@pytest.mark.parametrize("part", ["used", "equipment", "menu"])
@pytest.mark.parametrize("text", ODD.values(), ids=ODD.keys())
def test_answers_are_taken_or_told(tmp_path: Path, text: str, part: str) -> None:
    page = asked(tmp_path)
    (tmp_path / "scenario.yaml").write_text(text, encoding="utf-8")
    names = [question.name for question in QUESTIONS if question.of == part]
    form = {f"{name}.{mark}": "1" for name in names for mark in ("shown", "unknown")}
    sent = page.client.post(f"{page.room}/{part}", data=form, headers=page.headers())
    assert sent.status_code in {303, 422}
