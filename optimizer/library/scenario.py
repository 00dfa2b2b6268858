"""A scenario to compute with: read from a folder, or built from a frame and records.

Read next: ``jobs``.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.base.documents import Document, Source, checked
from optimizer.base.errors import ScenarioError
from optimizer.billing.tariff import Tariff, find_tariff, read_tariff
from optimizer.metering.series import Table, table_of
from optimizer.scenario.brief import Brief, brief_of, read_brief
from optimizer.scenario.scenario import scenario_of
from optimizer.scenario.scenario_file import ScenarioFile

if TYPE_CHECKING:
    import pandas as pd

IN_MEMORY = "the frame"
"""How a forecast that no file holds is called in notes and errors."""

RECORDS = Path("scenario")
"""How records that no file holds are called in errors."""


class Scenario:
    """A site with its equipment, forecast and tariff.

    Parameters
    ----------
    forecast : DataFrame, or path of a CSV
        ``load_kwh`` and ``pv_kwh`` of each step [kWh], or ``load_kw`` and ``pv_kw`` [kW], as in a forecast
        file; its index is aware of its zone and names the begin of each step.
    tariff : Tariff, or name or path of one
        What the utility asks.
    zone : str
        IANA name of the zone whose wall clock tariff and equipment follow.
    battery, inverter, pv
        The equipment: records, or mappings with the same keys.
    name : str
        What the scenario is called.
    **more
        Any other key of ``scenario.yaml``: ``connection``, ``controls``, ``reserve_pct`` …

    Raises
    ------
    InputError
        What cannot be used; ``place`` names the key.
    """

    def __init__(
        self,
        *,
        forecast: pd.DataFrame | str | Path,
        tariff: Tariff | str | Path,
        zone: str,
        battery: Document | Mapping[str, Any],
        inverter: Document | Mapping[str, Any],
        pv: Document | Mapping[str, Any],
        name: str = "A building",
        **more: Any,
    ) -> None:
        records = {
            "scenario": name,
            "zone": zone,
            "battery": battery,
            "inverter": inverter,
            "pv": pv,
        }
        self._build({**records, **more}, forecast, tariff, RECORDS)

    def _build(
        self,
        records: Mapping[str, Any],
        forecast: pd.DataFrame | str | Path,
        tariff: Tariff | str | Path,
        path: Path,
    ) -> None:
        given = None if isinstance(forecast, str | Path) else table_of(forecast, IN_MEMORY)
        if not isinstance(tariff, Tariff):
            tariff = read_tariff(find_tariff(str(tariff), path.parent, "tariff"))
        content = {
            **{key: _plain(value) for key, value in records.items()},
            "forecast": IN_MEMORY if given else str(forecast),
            "tariff": tariff.name,
        }
        file, source = checked(Source(path, content), ScenarioFile, ScenarioError)
        self._set(brief_of(scenario_of(file, source, given), tariff), content, given)

    def _set(self, brief: Brief, content: Mapping[str, Any], given: Table | None) -> None:
        self._brief, self._content, self._given = brief, content, given

    @classmethod
    def of(cls, brief: Brief) -> Scenario:
        """Return the scenario of a brief that was read from a folder."""
        made = cls.__new__(cls)
        made._set(brief, brief.scenario.file.model_dump(by_alias=True, exclude_unset=True), None)
        return made

    @property
    def brief(self) -> Brief:
        """The scenario with its compiled tariff, as the jobs take it."""
        return self._brief

    @property
    def name(self) -> str:
        """What the scenario is called."""
        return self._brief.scenario.name

    @property
    def tariff(self) -> Tariff:
        """Its tariff."""
        return self._brief.tariff

    @property
    def zone(self) -> str:
        """The zone of its wall clock."""
        return self._brief.scenario.file.zone

    @property
    def forecast(self) -> pd.DataFrame:
        """Load and PV of each step, as they were read and repaired. [kWh]"""
        import pandas as pd

        forecast = self._brief.scenario.forecast
        return pd.DataFrame(
            {"load_kwh": forecast.load_kwh, "pv_kwh": forecast.pv_kwh}, index=forecast.grid.local
        )

    def replace(self, **changes: Any) -> Scenario:
        """Return the scenario with other values; two underscores lead into a record.

        ``site.replace(battery__capacity_kwh=15, tariff="flat")``.

        Raises
        ------
        InputError
            If what comes out cannot be used.
        """
        content = dict(self._content)
        forecast = changes.pop("forecast", None)
        tariff = changes.pop("tariff", self.tariff)
        for key, value in changes.items():
            _put(content, key.split("__"), _plain(value))
        made = type(self).__new__(type(self))
        path = self._brief.scenario.source.path
        if forecast is not None:
            made._build(content, forecast, tariff, path)
            return made
        if not isinstance(tariff, Tariff):
            tariff = read_tariff(find_tariff(str(tariff), path.parent, "tariff"))
        file, source = checked(
            Source(path, {**content, "tariff": tariff.name}), ScenarioFile, ScenarioError
        )
        made._set(brief_of(scenario_of(file, source, self._given), tariff), content, self._given)
        return made

    def __repr__(self) -> str:
        grid = self._brief.scenario.forecast.grid
        return (
            f"<Scenario {self.name!r} on {self.tariff.name!r}: {grid.count:,} steps of"
            f" {grid.step_minutes} min from {grid.dates[0]}>"
        )


def read_scenario(path: str | Path) -> Scenario:
    """Read a scenario folder, or its ``scenario.yaml``, with forecast and tariff.

    Raises
    ------
    InputError
        What is wrong in its files, all findings of a file together.
    """
    return Scenario.of(read_brief(Path(path)))


def _plain(value: Any) -> Any:
    """Return records as mappings, for one check of all of them together."""
    if isinstance(value, Document):
        return value.model_dump(by_alias=True, exclude_unset=True)
    return dict(value) if isinstance(value, Mapping) else value


def _put(content: dict[str, Any], path: list[str], value: Any) -> None:
    """Put a value into nested mappings, which are copied on the way.

    Raises
    ------
    ScenarioError
        If the way leads through a value that holds no keys.
    """
    *way, last = path
    for key in way:
        inner = _plain(content.get(key, {}))
        if not isinstance(inner, dict):
            raise ScenarioError(
                f"{key} is a single value: it holds no key {last}",
                where="__".join(path),
                mend=f"Give {key}=… itself, or the name of a section before the __.",
            )
        content[key] = dict(inner)
        content = content[key]
    content[last] = value
