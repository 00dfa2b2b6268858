"""A house whose windows are tried out: a year of quarter-hours, settings found, and what holds both."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.scenario.brief import read_brief
from optimizer.settings.check import read_settings
from optimizer.workflows.trying import Trying, Version
from tests.page.quarter_hours import year_of_quarter_hours


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return year_of_quarter_hours(tmp_path_factory.mktemp("house"))


@pytest.fixture(scope="module")
def session(house: Path) -> Trying:
    return Trying(read_brief(house))


@pytest.fixture(scope="module")
def found(house: Path, session: Trying) -> Version:
    scenario = session.brief.scenario
    path = house / "results" / "settings.yaml"
    return session.version("found", read_settings(path, scenario.controls, scenario.plant))
