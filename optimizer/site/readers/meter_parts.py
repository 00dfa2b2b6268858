"""Parts what a meter gave into import and export, also where it gave only one of them or their net."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.errors import SeriesError
from optimizer.site.readers.readings import Account, EvenReadings


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
                raise SeriesError(
                    "the meter has readings of reactive energy only", where=account.file,
                    mend="Ask for the readings of import and export too.",
                )  # fmt: skip
            values[name] = np.where(np.isnan(values[other]), np.nan, 0.0)
            account.note(f"no {name.partition('_')[0]} in the file; {name} is 0.")
    order = ("import_kwh", "export_kwh", "reactive_kvarh")
    return replace(even, columns={name: values[name] for name in order if name in values})
