"""What is odd about settings, though the controls take them, and what they do in other months.

Read next: ``simulation.replay``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from optimizer.base.units import number
from optimizer.settings.controls import Controls
from optimizer.settings.windows import Settings, Window, months_text
from optimizer.site.equipment import Plant

NO_WINDOWS = "the battery covers the building, down to the floor, as without windows"


def on_other_months(settings: Settings, controls: Controls, present: Sequence[int]) -> list[str]:
    """Return what the equipment does in months for which settings were not found.

    ``present`` are the months of the forecast.
    """
    if not settings.seasons:
        return []
    if settings.found_for is not None:
        return [
            f"These settings were found for {months_text(settings.found_for)}. The equipment has no"
            " calendar (controls.season_sets: 1): they are at work in all other months too, until"
            " others are typed in."
        ]
    named = {month for season in settings.seasons for month in season.months}
    rest = [month for month in range(1, 13) if month not in named and month not in present]
    if not rest or not controls.has_calendar:
        return []
    return [
        f"In {months_text(rest)}, which the forecast does not hold, nothing is typed in: there"
        f" {NO_WINDOWS}."
    ]


def on_given(
    settings: Settings, plant: Plant, controls: Controls, present: Sequence[int]
) -> list[str]:
    """Return what settings that a person wrote ask for and the equipment does not do.

    ``plant`` is the equipment of the scenario, with its own lowest level.
    """
    return [
        *_on_floors(settings, plant),
        *(
            f"{settings.sentence(place, controls.whole_kw_of(plant.ac_limit_kw))}: {told}"
            for place in settings.places()
            for told in _on_window(settings.window(place), plant, controls)
        ),
        *_on_empty_months(settings, present),
    ]


def _on_floors(settings: Settings, plant: Plant) -> Iterator[str]:
    lowest = plant.soc_pct(plant.low_kwh)
    typed = {
        settings.floor_pct,
        *(s.floor_pct for s in settings.seasons if s.floor_pct is not None),
    }
    for floor_pct in sorted(typed):
        if floor_pct < lowest - 1e-6:
            yield (
                f"The floor of {number(floor_pct)} % is below the {number(lowest)} % that the scenario"
                " allows (the maker's floor or the reserve, the higher): it is replayed with"
                f" {number(lowest)} %."
            )


def _on_window(window: Window, plant: Plant, controls: Controls) -> Iterator[str]:
    yield from _on_power(window, plant, controls)
    highest = plant.soc_pct(plant.high_kwh)
    if window.until_pct is not None and window.until_pct > highest + 1e-6:
        yield (
            f"the battery is charged to {number(highest)} % at most, its ceiling; {number(highest)} %"
            " is replayed."
        )
    cap = window.import_cap_kw
    if cap is not None and cap > plant.import_limit_kw:
        yield (
            f"the connection's limit of {number(plant.import_limit_kw, 2)} kW lies below the cap, which"
            " changes nothing."
        )


def _on_power(window: Window, plant: Plant, controls: Controls) -> Iterator[str]:
    """Tell a power beyond what can flow by more than a step of the controls."""
    power = window.grid_kw if window.action == "charge" else window.power_kw
    limits = {
        "the inverter's limit": plant.ac_limit_kw,
        "what the battery takes": plant.charge_kw / plant.to_dc_efficiency,
        "the connection's limit": plant.import_limit_kw,
    }
    if window.action == "sell":
        limits = {
            "the inverter's limit": plant.ac_limit_kw,
            "what the battery gives": plant.discharge_kw,
        }
    most = min(plant.full_power_kw(window.action), *limits.values())
    step_kw = controls.menu.list_of(window.action).power_kw(plant.ac_limit_kw).step
    if power is not None and power > most + step_kw:
        why = next(name for name, limit in limits.items() if limit <= most + 1e-9)
        yield f"no more than {number(most, 2)} kW can flow, {why}; so much is replayed."


def _on_empty_months(settings: Settings, present: Sequence[int]) -> Iterator[str]:
    held = {
        month
        for season in settings.seasons
        if any(part.windows for part in season.day_sets)
        for month in season.months
    }
    rest = [month for month in present if month not in held]
    if rest:
        when = (
            "In all months of the forecast"
            if not held & set(present)
            else f"In {months_text(rest)}"
        )
        yield f"{when} no window holds: {NO_WINDOWS}."
