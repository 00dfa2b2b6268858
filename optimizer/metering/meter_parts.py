"""Parts what a meter gave into import, export, PV and load, also where it gave only some of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import FloatArray
from optimizer.metering.readings import Account, EvenReadings

APART_SHARE = 0.05
"""A larger difference of the load from import + PV − export leaves a note. [1]"""


MAX_SHORT_SHARE = 0.02
"""By more of the load than this below zero, import + PV − export is not taken for one. [1]"""


def _tell_load(values: dict[str, FloatArray], account: Account) -> None:
    """Make the load of import + PV − export, or hold the one that was read against it."""
    if not {"import_kwh", "export_kwh", "pv_kwh"} <= values.keys():
        return
    expected = values["import_kwh"] + values["pv_kwh"] - values["export_kwh"]
    if "load_kwh" in values:
        _hold_load_against_the_meter(values["load_kwh"], expected, account)
        return
    total, short = float(np.nansum(expected)), -float(np.nansum(np.minimum(expected, 0.0)))
    if short > MAX_SHORT_SHARE * total:
        account.note(
            f"no load_kwh: import + PV − export would lie {short:,.0f} kWh below zero; more is exported"
            " than PV gave. Check the clocks and that the PV is the one behind this meter."
        )
        return
    values["load_kwh"] = np.maximum(expected, 0.0)
    below = f"; where that is below zero ({short:,.1f} kWh in all), 0" if short > 0 else ""
    account.note(
        f"load_kwh is import + PV − export{below}. If a battery was at work, it is in the load."
    )


def _hold_load_against_the_meter(
    load_kwh: FloatArray, expected: FloatArray, account: Account
) -> None:
    """Tell where the load is not what went in and did not come out."""
    known = ~(np.isnan(expected) | np.isnan(load_kwh))
    load, there = float(load_kwh[known].sum()), float(expected[known].sum())
    if abs(load - there) > APART_SHARE * max(abs(load), abs(there)):
        account.note(
            f"the load is {load:,.0f} kWh, but import + PV − export comes to {there:,.0f} kWh: a battery"
            " or losses lie between, or a column means something else."
        )


def directions_parted(even: EvenReadings, account: Account) -> EvenReadings:
    """Return import and export, and reactive energy, PV and load where there are some.

    Net readings above zero are import, those below export. A direction that the file lacks is 0
    wherever the other one is known. Where there is PV, a load that the file lacks is
    import + PV − export. Each leaves a note. PV or load without a meter at the grid stay alone.

    Raises
    ------
    SeriesError
        If there is reactive energy only.
    """
    values = dict(even.columns)
    net = values.pop("net_kwh", None)
    if net is not None:
        values["import_kwh"] = np.maximum(net, 0.0)
        values["export_kwh"] = np.maximum(-net, 0.0)
        account.note(
            "net readings: what is above zero is import, what is below is export; within an"
            " interval the two have cancelled."
        )
    if values.keys() & {"import_kwh", "export_kwh"}:
        has_both = {"import_kwh", "export_kwh"} <= values.keys()
        _fill_directions(values, account)
        if has_both:
            _tell_load(values, account)
    elif not values.keys() & {"pv_kwh", "load_kwh"}:
        raise SeriesError(
            "the meter has readings of reactive energy only", where=account.file,
            mend="Ask for the readings of import and export too.",
        )  # fmt: skip
    order = ("import_kwh", "export_kwh", "reactive_kvarh", "pv_kwh", "load_kwh")
    return replace(even, columns={name: values[name] for name in order if name in values})


def _fill_directions(values: dict[str, FloatArray], account: Account) -> None:
    """Set the direction that a file lacks to 0, with a note."""
    for name, other in (("import_kwh", "export_kwh"), ("export_kwh", "import_kwh")):
        if name in values:
            continue
        values[name] = np.where(np.isnan(values[other]), np.nan, 0.0)
        doubt = (
            "; there is PV, so some was perhaps exported, and a load made of it is too high"
            if "pv_kwh" in values and name == "export_kwh"
            else ""
        )
        account.note(f"no {name.partition('_')[0]} in the file; {name} is 0{doubt}.")
