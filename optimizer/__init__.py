"""Turns a PV forecast, a load forecast and a tariff into battery settings a person can type in.

``import optimizer as tw`` offers what ``__all__`` lists; each name is loaded when it is first used.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from optimizer.base.version import __version__ as __version__

if TYPE_CHECKING:
    from optimizer.base.errors import InputError, OptimizerError, SolveError
    from optimizer.billing.bill import Bill
    from optimizer.billing.tariff import Tariff
    from optimizer.library.files import read_meter, read_settings, read_tariff, report_page, write
    from optimizer.library.jobs import (
        bill,
        cheapest_plan,
        check,
        forecast,
        menu_worth,
        outage,
        plan,
        renew,
        replay,
        review,
        stay_off,
        study,
        tomorrow,
        verify,
    )
    from optimizer.library.scenario import Scenario, read_scenario
    from optimizer.settings.controls import Controls
    from optimizer.settings.windows import Settings
    from optimizer.site.equipment import (
        Battery,
        Connection,
        Inverter,
        Permissions,
        Photovoltaic,
    )

_HOMES = {
    "base.errors": ("InputError", "OptimizerError", "SolveError"),
    "billing.bill": ("Bill",),
    "billing.tariff": ("Tariff",),
    "library.files": ("read_meter", "read_settings", "read_tariff", "report_page", "write"),
    "library.jobs": (
        "bill", "cheapest_plan", "check", "forecast", "menu_worth", "outage", "plan", "renew", "replay",
        "review", "stay_off", "study", "tomorrow", "verify",
    ),
    "library.scenario": ("Scenario", "read_scenario"),
    "settings.controls": ("Controls",),
    "settings.windows": ("Settings",),
    "site.equipment": ("Battery", "Connection", "Inverter", "Permissions", "Photovoltaic"),
}  # fmt: skip
"""Where each public name is at home."""

_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "Battery", "Bill", "Connection", "Controls", "InputError", "Inverter", "OptimizerError",
    "Permissions", "Photovoltaic", "Scenario", "Settings", "SolveError", "Tariff", "bill",
    "cheapest_plan", "check", "forecast", "menu_worth", "outage", "plan", "read_meter",
    "read_scenario", "read_settings", "read_tariff", "renew", "replay", "report_page", "review",
    "stay_off", "study", "tomorrow", "verify", "write",
]  # fmt: skip


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used (PEP 562)."""
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(importlib.import_module(f"{__name__}.{_HOME_OF[name]}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    """List the public names."""
    return sorted([*globals(), *__all__])
