"""What the library reads and writes: tariffs, settings, meters; results as files and as a page."""

from __future__ import annotations

from functools import singledispatch
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.base.documents import Source
from optimizer.base.errors import InputError
from optimizer.base.files import write_file, writing_to
from optimizer.base.flows import Flows
from optimizer.base.timegrid import known_zone
from optimizer.base.yaml_text import typed_yaml
from optimizer.billing.tariff import Tariff, find_tariff
from optimizer.billing.tariff import read_tariff as read_tariff_file
from optimizer.library.scenario import IN_MEMORY, Scenario
from optimizer.metering.meter_csv import meter_in
from optimizer.metering.meter_csv import read_meter as read_meter_file
from optimizer.metering.series import table_of
from optimizer.report.files import write_result
from optimizer.report.forecast_page import write_forecast
from optimizer.report.off_grid import limited_yaml
from optimizer.report.outage_page import outage_page, write_outages
from optimizer.report.page import report_html
from optimizer.report.study_files import write_study
from optimizer.report.study_page import study_page
from optimizer.settings.check import read_settings as read_settings_file
from optimizer.settings.check import refuse
from optimizer.settings.windows import Settings
from optimizer.studies.verdict import StudyResult
from optimizer.workflows.forecast import ForecastResult
from optimizer.workflows.off_grid import OffGrid
from optimizer.workflows.outage import OutageResult
from optimizer.workflows.results import Result

if TYPE_CHECKING:
    import pandas as pd


def read_tariff(name: str | Path) -> Tariff:
    """Read a tariff file, or a shipped tariff by its name.

    Raises
    ------
    InputError
        What is wrong in it, all findings together.
    """
    return read_tariff_file(find_tariff(str(name), Path(), "the tariff's name"))


def read_settings(path: str | Path, scenario: Scenario) -> Settings:
    """Read a settings file, as the scenario's equipment holds it.

    Raises
    ------
    InputError
        If it cannot be read, or the controls refuse it.
    """
    site = scenario.brief.scenario
    return read_settings_file(Path(path), site.controls, site.plant)


def read_meter(path: str | Path, zone: str) -> pd.DataFrame:
    """Read a tidy meter CSV: ``import_kwh`` and ``export_kwh`` of each step. [kWh]

    Raises
    ------
    InputError
        If it is unreadable, a value is negative, or a step is missing.
    """
    flows, _ = read_meter_file(Path(path), zone)
    return flows.frame[["import_kwh", "export_kwh"]]


def meter_from(meter: pd.DataFrame | str | Path, zone: str | None) -> Flows:
    """Return what a meter saw, by a frame or a CSV.

    Raises
    ------
    InputError
        If it cannot be read, or its zone is not known.
    """
    if isinstance(meter, str | Path):
        return read_meter_file(Path(meter), _zone(zone))[0]
    known = zone or getattr(getattr(meter.index, "tz", None), "key", None)
    return meter_in(table_of(meter, IN_MEMORY), _zone(known))[0]


def _zone(zone: str | None) -> str:
    if zone is None:
        raise InputError(
            "the zone of the wall clock is not known",
            where="zone",
            mend="Give zone='Europe/Dublin', or an index with such a zone.",
        )
    known_zone(zone, InputError, "zone")
    return zone


def tariff_from(tariff: Tariff | str | Path) -> Tariff:
    """Return a tariff, read if it is named."""
    return tariff if isinstance(tariff, Tariff) else read_tariff(tariff)


def settings_from(settings: Settings | str | Path, scenario: Scenario) -> Settings:
    """Return settings as the scenario's equipment holds them, read if they are named.

    Raises
    ------
    InputError
        If the controls refuse them.
    """
    if not isinstance(settings, Settings):
        return read_settings(settings, scenario)
    site = scenario.brief.scenario
    refuse(settings, site.controls, site.plant, Source(Path("settings"), None))
    return settings.as_stored(site.controls)


@singledispatch
def write(result: Any, path: str | Path) -> list[Path]:
    """Write what the command line writes: a folder of results, or settings as a YAML file.

    Of a limit of the import, the settings with it.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        If they cannot be written.
    """
    raise TypeError(f"a {type(result).__name__} is nothing that is written to files")


@write.register
def _(result: Result, path: str | Path) -> list[Path]:
    with writing_to(Path(path)):
        return write_result(result, Path(path))


@write.register
def _(result: OutageResult, path: str | Path) -> list[Path]:
    with writing_to(Path(path)):
        return write_outages(result, Path(path))


@write.register
def _(result: ForecastResult, path: str | Path) -> list[Path]:
    with writing_to(Path(path)):
        return write_forecast(result, Path(path))


@write.register
def _(result: StudyResult, path: str | Path) -> list[Path]:
    return write_study(result, Path(path), ["csv"])


@write.register
def _(result: OffGrid, path: str | Path) -> list[Path]:
    return [write_file(limited_yaml(result), Path(path))]


@write.register
def _(result: Settings, path: str | Path) -> list[Path]:
    return [write_file(typed_yaml(result.model_dump(exclude_none=True)), Path(path))]


def report_page(result: Result | OutageResult | StudyResult) -> str:
    """Return a result as one page of HTML that needs nothing outside itself."""
    if isinstance(result, OutageResult):
        return outage_page(result)
    return study_page(result) if isinstance(result, StudyResult) else report_html(result)
