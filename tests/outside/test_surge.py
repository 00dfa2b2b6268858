"""A surge counts where the scenario states one; where it does not, none is assumed."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from pydantic import ValidationError

from optimizer.evaluation.fit_check import Finding, load_findings
from optimizer.site.equipment import Inverter
from optimizer.site.loads import Load

PUMP = Load(name="pump", running_w=1500, starting_factor=4, critical=True)  # starts with 6 kW


def findings(loads: list[Load], **inverter: Any) -> dict[str, Finding]:
    """Return what is found about loads on an inverter of 5 kW, by its heading."""
    file = SimpleNamespace(loads=loads, inverter=Inverter(ac_limit_kw=5, **inverter))
    site: Any = SimpleNamespace(file=file)
    return {found.what: found for found in load_findings(loads, site)}


START = "The largest start while all others run"


def test_without_a_stated_surge_the_start_is_held_against_the_rating() -> None:
    """A start of 6 kW on 5 kW: nobody knows, so it is odd, and the data sheet is asked for."""
    start = findings([PUMP])[START]
    assert (start.severity, start.value, start.limit) == ("odd", "6 kW", "the inverter's 5 kW")
    assert "states no surge" in start.source
    assert "inverter.surge_kw" in start.mend
    assert findings([PUMP])["All loads running together"].mend == ""  # 1.5 kW run well on 5 kW


def test_a_stated_surge_decides() -> None:
    assert findings([PUMP], surge_kw=6.5, surge_s=10)[START].severity == "information"
    short = findings([PUMP], surge_kw=5.9, surge_s=10)[START]
    assert (short.severity, short.limit) == ("serious", "a surge of 5.9 kW for 10 s")
    assert "inverter.surge_kw" not in short.mend
    assert "leave off: pump" in short.mend


def test_a_start_within_the_rating_needs_no_surge() -> None:
    lamp = Load(name="lamp", running_w=60)
    assert findings([lamp])[START].severity == "information"


def test_seconds_without_a_power_are_refused() -> None:
    with pytest.raises(ValidationError, match=r"surge_s is 10, but surge_kw is missing"):
        Inverter(ac_limit_kw=5, surge_s=10)
