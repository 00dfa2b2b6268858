"""What a kWh is worth at each step."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.base.timegrid import FloatArray


@dataclass(frozen=True)
class Prices:
    """Money per kWh at each of T steps: of import, of export, and of a kWh stored (by the plan).

    ``sell_stored`` is the price of export out of the battery; that of the PV is ``sell``.
    """

    buy: FloatArray
    sell: FloatArray
    stored: FloatArray
    sell_stored: FloatArray
