"""The search hands out no settings that a rule refuses, and loses no more than the rule takes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.base.units import MINUTES_PER_DAY
from optimizer.search.choose import Effort, _widened, find_settings
from optimizer.search.drafts import Draft, drafts_of
from optimizer.search.fit import fit, settings_of
from optimizer.search.neighbours import apart, candidates_for, changes, fitted
from optimizer.search.score import Season
from optimizer.settings.check import refusals
from optimizer.settings.controls import Controls
from optimizer.site.equipment import Plant
from optimizer.site.limits import TimedLimit
from tests.laws.cases import AC_PLANT, DC_PLANT, SOURCE
from tests.laws.sites import (
    ALL_MONTHS,
    HOURS,
    TEN_WEEKS,
    check_accepted,
    found_for,
    season_of,
    site,
    task_for,
    weather_of,
)
from tests.menus import MENUS, controls_of

RULES = {
    "filling": (TimedLimit(rule="always", fill_kw=1.35),),
    "filling that nearly binds": (TimedLimit(rule="always", fill_kw=4.14),),
    "nights": (TimedLimit(rule="nights", hours=["22:00-04:00"], fill_kw=0.7),),
    "no filling": (TimedLimit(rule="none", hours=["00:00-06:00"], fill_kw=0),),
    "evenings": (
        TimedLimit(rule="evenings", hours=["17:00-19:30"], import_kw=4, export_kw=1.2),
        TimedLimit(rule="weekdays", days=["weekdays"], hours=["12:00-14:00"], export_kw=0),
        TimedLimit(rule="July", months=[7], import_kw=4.5, fill_kw=3),
    ),
}
RICH = Controls(import_cap=True, windows_per_day=4, minutes=60)
PER_CENT = Controls(power_step_pct=10, windows_per_day=3, minutes=60)


@pytest.mark.parametrize("name", RULES)
@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
def test_all_that_a_search_finds_is_accepted(name: str, plant: Plant) -> None:
    ruled = replace(plant, rules=RULES[name])
    for tariff, controls in (("sell above buy", RICH), ("demand", RICH), ("two rates", PER_CENT)):
        found = found_for(
            ruled, HOURS, tariff, controls, [ALL_MONTHS, ((6,), (7,))], Effort(100, 300)
        )
        for size in found.sizes:
            check_accepted(size.settings, controls, ruled)


@pytest.mark.parametrize("number", sorted(MENUS))
def test_whatever_the_menu_all_that_a_search_finds_is_accepted(number: int) -> None:
    """Also where a list has no power, one power for all its entries, or a clock without summer time."""
    controls = controls_of(number)
    for name in ("filling", "evenings", "no filling"):
        ruled = replace(AC_PLANT, rules=RULES[name])
        groups = [ALL_MONTHS] if controls.season_sets == 1 else [ALL_MONTHS, ((6,), (7,))]
        found = found_for(ruled, HOURS, "sell above buy", controls, groups, Effort(100, 300))
        for size in found.sizes:
            assert refusals(size.settings, controls, ruled, SOURCE) == []


def season_within(name: str) -> Season:
    plan, cost = site(replace(AC_PLANT, rules=RULES[name]), HOURS, "sell above buy")
    return season_of(task_for(plan, cost, RICH), plan)


def some_draft(luck: np.random.Generator) -> Draft:
    """Draw a window of a whole hour's edges; as likely as not at full power or above it."""
    action = str(luck.choice(["charge", "sell", "cover", "hold"]))
    moves_energy = action in {"charge", "sell"}
    return Draft(
        int(luck.integers(24)) * 60,
        int(luck.integers(1, 25)) * 60,
        action,
        0.0 if action == "hold" else float(luck.integers(2, 18)) * 5,
        float(luck.choice([0.3, 1.1, 2.7, 4.5])) if moves_energy else 0.0,
        float(luck.choice([2.0, 3.9, 4.4, 6.0, np.inf])),
    )


@pytest.mark.parametrize("name", RULES)
def test_what_the_search_accepts_the_refusals_accept(name: str) -> None:
    """And what was made to fit is accepted, unless a rule leaves it nothing to do."""
    season, luck = season_within(name), np.random.default_rng(4)
    plant, accepted, refused = season.task.plant, 0, 0
    for _ in range(500):
        draft = fitted(some_draft(luck), season) if luck.random() < 0.5 else some_draft(luck)
        is_accepted = season.accepts((draft,))
        if is_accepted:
            windows = [((draft,), ())]
            settings = settings_of("x", (tuple(season.months),), windows, season.task)
            assert refusals(settings, RICH, plant, SOURCE) == [], draft
        accepted += is_accepted
        refused += not is_accepted
        made = season.stored.within_rules(draft)
        minutes = np.arange(made.begin, made.begin + made.length) % MINUTES_PER_DAY
        at_noon = ((minutes >= 12 * 60) & (minutes < 14 * 60)).any()
        nothing_to_sell = name == "evenings" and made.action == "sell" and at_noon
        assert season.accepts((made,)) == (not nothing_to_sell)
    assert min(accepted, refused) > 10


@pytest.mark.parametrize("name", RULES)
def test_all_neighbours_and_candidates_are_accepted(name: str) -> None:
    season, luck = season_within(name), np.random.default_rng(5)
    plant = season.task.plant
    many = [((draft,), ()) for draft in candidates_for(season)]
    for _ in range(20):
        start = fitted(some_draft(luck), season)
        if season.accepts((start,)):
            many += list(changes(((start,), (start,)), apart(season), season))
    for place in luck.permutation(len(many))[:600]:
        settings = settings_of("x", (tuple(season.months),), [many[place]], season.task)
        assert refusals(settings, RICH, plant, SOURCE) == [], many[place]


def test_windows_of_a_site_without_rules_are_brought_within_them() -> None:
    """They fill at full power by night; hardly any search comes after."""
    free = found_for(AC_PLANT, HOURS, "two rates", RICH).settings
    ruled = replace(AC_PLANT, rules=RULES["filling"])
    assert refusals(free, RICH, ruled, SOURCE)
    plan, cost = site(ruled, HOURS, "two rates")
    task = task_for(plan, cost, RICH)
    season = season_of(task, plan)
    kept = season.stored.kept_to_rules(drafts_of(free, season.months, RICH, ruled))
    assert all(season.accepts(part) for part in kept)
    hardly_searched = fit(task, season.years, ALL_MONTHS, 1.0, [free]).settings("x")
    assert hardly_searched.entries() > 0
    check_accepted(hardly_searched, RICH, ruled)


def test_a_margin_raises_no_cap_above_a_rule() -> None:
    """A cap of 3.5 kW in the evening, raised by 3/10, would pass the rule's 4 kW: it is left out."""
    season = season_within("evenings")
    draft = Draft(17 * 60, 120, "cover", 20.0, 0.0, 3.5)
    assert season.accepts((draft,))

    def widened(factor: float) -> float:
        return float(_widened([((draft,), ())], (factor, 0.0), [season])[0][0][0].cap_kw)

    assert widened(1.08) == pytest.approx(3.8)
    assert widened(1.3) == np.inf


def test_a_window_outside_a_rules_hours_keeps_its_power() -> None:
    season = season_within("nights")
    night, day = (Draft(begin * 60, 120, "charge", 80.0, 4.5) for begin in (3, 4))
    assert season.stored.within_rules(night).power_kw == 0.7
    assert season.stored.within_rules(day) == day
    assert season.stored.within_rules(night._replace(length=MINUTES_PER_DAY)).power_kw == 0.7


def test_a_rule_of_all_hours_costs_the_search_about_what_it_costs_the_plan() -> None:
    """Ten weeks of two rates: behind 1.35 kW of filling more of the night is used, not nothing at all."""
    ruled = replace(AC_PLANT, rules=RULES["filling"])
    shares = []
    for plant in (AC_PLANT, ruled):
        plan, cost = site(plant, TEN_WEEKS, "two rates")
        task = task_for(plan, cost, RICH)
        season = season_of(task, plan)
        found = find_settings(task, weather_of(plan), "x", [ALL_MONTHS], Effort(300, 1200))
        drafts = drafts_of(found.settings, season.months, RICH, plant)
        shares.append(-season.mean_change(drafts) / task.can_save)
    assert shares[1] > shares[0] - 0.1
