"""Parts what a meter gave into import and export, also where it gave only one of them or their net."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import FloatArray
from optimizer.metering.readings import Account, EvenReadings

APART_SHARE = 0.05
"""A larger difference of the load from import + PV − export leaves a note. [1]"""


def _hold_load_against_the_meter(values: Mapping[str, FloatArray], account: Account) -> None:
    """Tell where the load is not what went in and did not come out."""
    if not {"pv_kwh", "load_kwh"} <= values.keys():
        return
    expected = values["import_kwh"] + values["pv_kwh"] - values["export_kwh"]
    known = ~(np.isnan(expected) | np.isnan(values["load_kwh"]))
    load, there = float(values["load_kwh"][known].sum()), float(expected[known].sum())
    if abs(load - there) > APART_SHARE * max(abs(load), abs(there)):
        account.note(
            f"the load is {load:,.0f} kWh, but import + PV − export comes to {there:,.0f} kWh: a battery"
            " or losses lie between, or a column means something else."
        )


def directions_parted(even: EvenReadings, account: Account) -> EvenReadings:
    """Return import and export, and reactive energy where there is some.

    Net readings above zero are import, those below export. A direction that the file lacks is 0
    wherever the other one is known. Each leaves a note.

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
    for name, other in (("import_kwh", "export_kwh"), ("export_kwh", "import_kwh")):
        if name not in values:
            if other not in values:
                held = "PV or load" if values.keys() & {"pv_kwh", "load_kwh"} else "reactive energy"
                raise SeriesError(
                    f"the meter has readings of {held} only", where=account.file,
                    mend="Ask for the readings of import and export too.",
                )  # fmt: skip
            values[name] = np.where(np.isnan(values[other]), np.nan, 0.0)
            account.note(f"no {name.partition('_')[0]} in the file; {name} is 0.")
    _hold_load_against_the_meter(values, account)
    order = ("import_kwh", "export_kwh", "reactive_kvarh", "pv_kwh", "load_kwh")
    return replace(even, columns={name: values[name] for name in order if name in values})
