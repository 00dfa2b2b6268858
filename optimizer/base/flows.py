"""The one noun: energy over the site's boundaries, step by step.

A meter reading, a plan and a replay are all ``Flows``; a bill needs a tariff and ``Flows`` and
nothing else. All flows are energies of a step and never negative; the name gives the direction::

    import_kwh      from the grid              export_kwh    to the grid
    pv_used_kwh     from the PV                load_kwh      to the building
    discharge_kwh   out of the battery         charge_kwh    into the battery
                                               loss_kwh      lost in conversion between them

What comes in goes out: import + PV used + discharge = export + load + charge + loss.

``stored_export_kwh`` follows from these. Which electrons leave over the meter cannot be seen, so it is an
assumption: *what is exported in a step is PV first, as far as the PV delivers, and the rest comes out
of the battery*. In other words, the battery serves the building first, and only what it gives beyond
the building's load is exported stored energy. It is the same split by which equipment keeps stored
energy from being exported, and convex in the flows. Were the PV said to serve the building first, more
of the export would be stored energy, but that is not convex: PV that is not used would make it less.
Read next: ``site.equipment``.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimizer.base.errors import DisagreementError
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.base.units import ENERGY_TOLERANCE_KWH

if TYPE_CHECKING:
    import pandas as pd

FlowName = Literal["import_kwh", "export_kwh", "charge_kwh", "discharge_kwh", "pv_used_kwh",
                   "load_kwh", "stored_export_kwh"]  # fmt: skip


@dataclass(frozen=True, repr=False)
class Flows:
    """Energies of T steps over the site's boundaries, checked at birth.

    Parameters
    ----------
    grid : TimeGrid
        The T steps.
    import_kwh, export_kwh, charge_kwh, discharge_kwh, pv_used_kwh, load_kwh, loss_kwh : array
        Shape (T,), each ≥ 0. Charge and discharge are counted at the battery's terminals,
        ``pv_used_kwh`` where the PV delivers (DC side in a hybrid plant, else AC side). [kWh]
    reactive_kvarh : array, optional
        Shape (T,), lagging reactive energy, where a meter counts it. [kvarh]
    pv_to_ac : float
        What arrives on the AC side of a kWh of ``pv_used_kwh``: less than 1 in a hybrid plant. [1]

    Raises
    ------
    DisagreementError
        If a length is not T, a value is negative or not finite, or the energies do not balance
        within 1e-6 kWh a step (relative for large sites).
    """

    grid: TimeGrid
    import_kwh: FloatArray
    export_kwh: FloatArray
    charge_kwh: FloatArray
    discharge_kwh: FloatArray
    pv_used_kwh: FloatArray
    load_kwh: FloatArray
    loss_kwh: FloatArray
    reactive_kvarh: FloatArray | None = None
    pv_to_ac: float = 1.0

    def __post_init__(self) -> None:
        """Check lengths, signs and balance; freeze the arrays."""
        largest = 1.0
        for name in flow_names():
            values = np.array(getattr(self, name), dtype=np.float64)
            if values.shape != (self.grid.count,):
                raise _wrong(f"{name} has shape {values.shape}, not ({self.grid.count},)", "flows")
            if not np.isfinite(values).all():
                wrong = int(np.flatnonzero(~np.isfinite(values))[0])
                raise _wrong(f"{name} is {values[wrong]}, no finite energy", self._step(wrong))
            low = int(values.argmin())
            if not values[low] >= -ENERGY_TOLERANCE_KWH * largest:
                raise _wrong(f"{name} is {values[low]} kWh, below zero", self._step(low))
            values = np.maximum(values, 0.0)
            largest = max(largest, float(values.max()))
            values.flags.writeable = False
            object.__setattr__(self, name, values)
        gap = np.abs(self.balance_kwh())
        worst = int(gap.argmax())
        if gap[worst] > 10 * ENERGY_TOLERANCE_KWH * largest:
            raise _wrong(f"energies differ by {gap[worst]:.3g} kWh", self._step(worst))

    def balance_kwh(self) -> FloatArray:
        """Return what comes in less what goes out, shape (T,); zero but for rounding. [kWh]"""
        incoming = self.import_kwh + self.pv_used_kwh + self.discharge_kwh
        return incoming - self.export_kwh - self.load_kwh - self.charge_kwh - self.loss_kwh

    @property
    def stored_export_kwh(self) -> FloatArray:
        """What of the export comes out of the battery, shape (T,); PV counts as exported first. [kWh]"""
        return np.maximum(self.export_kwh - self.pv_to_ac * self.pv_used_kwh, 0.0)

    @property
    def frame(self) -> pd.DataFrame:
        """The energies as a frame of T rows, by the wall clock. [kWh per step]"""
        import pandas as pd

        columns = {name: getattr(self, name) for name in flow_names()}
        if self.reactive_kvarh is not None:
            columns["reactive_kvarh"] = self.reactive_kvarh
        return pd.DataFrame(columns, index=self.grid.local)

    def __repr__(self) -> str:
        return (
            f"<Flows: {self.grid.count:,} steps of {self.grid.step_minutes} min from"
            f" {self.grid.label(0)}, {self.import_kwh.sum():,.0f} kWh in,"
            f" {self.export_kwh.sum():,.0f} kWh out>"
        )

    def _step(self, step: int) -> str:
        return f"step {self.grid.label(step)}"

    @classmethod
    def of_meter(
        cls,
        grid: TimeGrid,
        import_kwh: FloatArray,
        export_kwh: FloatArray,
        reactive_kvarh: FloatArray | None = None,
        stored_export_kwh: FloatArray | None = None,
    ) -> Flows:
        """Return what a meter sees, shape (T,): import goes to a load, export comes from a source.

        The source is PV, but for what is known to come out of a battery.
        """
        none = np.zeros(grid.count)
        stored = none if stored_export_kwh is None else stored_export_kwh
        return cls(
            grid,
            import_kwh,
            export_kwh,
            none,
            discharge_kwh=stored,
            pv_used_kwh=export_kwh - stored,
            load_kwh=import_kwh,
            loss_kwh=none,
            reactive_kvarh=reactive_kvarh,
        )


def flow_names() -> list[str]:
    """Return the names of the energies in the order in which they are declared."""
    aside = {"grid", "reactive_kvarh", "pv_to_ac"}
    return [field.name for field in fields(Flows) if field.name not in aside]


def _wrong(what: str, where: str) -> DisagreementError:
    return DisagreementError(
        f"the flows are impossible: {what}",
        where=where,
        mend="This is a fault of the program: please report it with the scenario.",
    )
