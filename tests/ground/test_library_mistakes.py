"""What a caller of the library hands over otherwise than meant: read as meant, or refused in words."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

import optimizer as tw

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "scenarios" / "1_two_rates"


def site_of(forecast: pd.DataFrame) -> tw.Scenario:
    """Return a small site in New York, whose clock changes within the forecast."""
    return tw.Scenario(
        forecast=forecast,
        tariff="two_rates",
        zone="America/New_York",
        battery={"capacity_kwh": 10, "charge_kw": 5, "discharge_kw": 5},
        inverter={"ac_limit_kw": 5},
        pv={"coupling": "dc"},
    )


@pytest.fixture(scope="module")
def march() -> pd.DataFrame:
    return tw.read_scenario(DEMO).forecast.loc["2026-03-01":"2026-03-31"]


@pytest.mark.parametrize("zone", ["UTC", "Europe/Berlin", "Asia/Kolkata"])
def test_the_same_moments_in_another_zone_are_the_same_forecast(march, zone: str) -> None:
    told = site_of(march.tz_convert(zone)).forecast
    pd.testing.assert_frame_equal(told, site_of(march).forecast)


def test_a_zone_that_does_not_exist_is_refused_in_words(march) -> None:
    meter = march[["load_kwh"]].rename(columns={"load_kwh": "import_kwh"})
    with pytest.raises(tw.OptimizerError, match="Atlantis") as caught:
        tw.bill(meter, "two_rates", zone="Europe/Atlantis")
    assert caught.value.where == "zone"


def test_a_key_below_a_single_value_is_refused_in_words(march) -> None:
    with pytest.raises(tw.OptimizerError, match="holds no key a") as caught:
        site_of(march).replace(zone__a=3)
    assert caught.value.where == "zone__a"


@pytest.mark.parametrize("job", [tw.plan, lambda site, effort: tw.renew(site, DEMO, effort=effort)])
def test_an_effort_that_does_not_exist_is_refused_before_any_work(march, job) -> None:
    with pytest.raises(tw.InputError, match="'fast'") as caught:
        job(site_of(march), effort="fast")
    assert caught.value.where == "effort"
    assert "quick, normal or thorough" in caught.value.mend
