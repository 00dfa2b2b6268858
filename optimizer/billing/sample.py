"""A year of an invented meter under a tariff: what one more kWh costs at each step, and the bill.

It shows a tariff to whoever typed it in. The meter is the same for all tariffs, so that two can be
held beside each other; with data of a real one, ``bill`` is the way. Read next: ``bill``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray, TimeGrid, calendar_months
from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.charges.energy import PricedEnergy
from optimizer.billing.tariff import Tariff, TariffCost, over_a_year
from optimizer.cost.expression import linear_cost

BASE_KW, EVENING_KW, EVENING = 0.3, 1.5, (17 * 60, 21 * 60)
"""The invented meter: power all day, and from 17 to 21 o'clock; nothing is exported."""


@dataclass(frozen=True)
class SampleYear:
    """The last version of a tariff through the calendar year in which it begins.

    ``buy`` and ``sell`` are the worth of one more kWh imported and exported, apart from demand, shape
    (T,); ``left_out`` names the charges whose prices follow a series, which count as zero here.
    """

    grid: TimeGrid
    buy: FloatArray
    sell: FloatArray
    bill: Bill
    left_out: tuple[str, ...]


def sample_year(tariff: Tariff) -> SampleYear:
    """Return the sample year of a tariff.

    Raises
    ------
    TariffError, SeriesError
        If the tariff does not hold together.
    """
    number = len(tariff.file.versions) - 1
    context = over_a_year(tariff, number)
    grid, periods = context.grid, calendar_months(context.grid)
    cost = TariffCost(tariff.currency, periods, tuple(context.lines), ())
    evening = (grid.minute_of_day >= EVENING[0]) & (grid.minute_of_day < EVENING[1])
    flows = Flows.of_meter(
        grid, np.where(evening, EVENING_KW, BASE_KW) * grid.step_h, np.zeros(grid.count)
    )
    linear = linear_cost(cost.total, grid.count)
    left_out = tuple(
        charge.name
        for charge in tariff.file.versions[number].charges
        if isinstance(charge, PricedEnergy) and charge.series is not None
    )
    return SampleYear(
        grid,
        linear.marginal("import_kwh", flows),
        -linear.marginal("export_kwh", flows),
        bill_flows(cost, flows),
        left_out,
    )
