"""What is told of powers: a highest import that windows raise, and a cap that binds nowhere."""

from __future__ import annotations

from functools import lru_cache
from types import SimpleNamespace
from typing import Any

import pytest

from optimizer.billing.tariff import shipped_folder
from optimizer.report.notes import _on_higher_imports, notes
from optimizer.scenario.brief import read_brief
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.workflows.replay import ReplayResult
from optimizer.workflows.replay import replay as replayed


@lru_cache
def replayed_under(cap_kw: float, start: str = "01:00", end: str = "05:00") -> ReplayResult:
    """Return a demo with one window that fills as fast as it can, under a cap."""
    fill = Window(start=start, end=end, action="charge", until_pct=100, import_cap_kw=cap_kw)
    day_set = DaySet(days="every day", windows=[fill])
    typed = Settings(
        settings="tried",
        floor_pct=10,
        seasons=[SeasonSet(months=list(range(1, 13)), day_sets=[day_set])],
    )
    return replayed(read_brief(shipped_folder("scenarios") / "1_two_rates"), typed)


@pytest.mark.parametrize(
    ("ours_kw", "bare_kw", "is_told"),
    [(9.0, 4.0, True), (5.9, 4.0, False), (1.9, 1.0, False), (3.0, 4.0, False)],
)
def test_a_highest_import_is_told_that_is_half_more_and_a_kilowatt(
    ours_kw: float, bare_kw: float, is_told: bool
) -> None:
    highest = {"windows": ours_kw, "no_windows": bare_kw}
    cases = {key: SimpleNamespace(peak_import_kw=kw) for key, kw in highest.items()}
    result: Any = SimpleNamespace(outcome=SimpleNamespace(cases=cases))
    told = [*_on_higher_imports(result)]
    assert bool(told) == is_told
    if told:
        assert "9 kW" in told[0]
        assert "4 kW" in told[0]


@pytest.mark.parametrize(("cap_kw", "binds_nowhere"), [(14.0, True), (2.0, False)])
def test_a_cap_that_binds_nowhere_is_told(cap_kw: float, binds_nowhere: bool) -> None:
    """The demo's inverter fills with 5 kW at most: 14 kW are never reached, 2 kW are."""
    (reason,) = replayed_under(cap_kw).outcome.reasons
    assert ("binds nowhere" in reason.why) == binds_nowhere


def test_the_note_of_a_highest_import_stands_among_the_notes() -> None:
    """Filling with 5 kW in the evening, on top of a load of some kW, is half more than the demo's 4.46 kW."""
    result = replayed_under(14.0, "17:00", "21:00")
    highest = result.outcome.cases["windows"].peak_import_kw
    assert highest > 1.5 * result.outcome.cases["no_windows"].peak_import_kw
    assert any("the highest import is" in note for note in notes(result))
