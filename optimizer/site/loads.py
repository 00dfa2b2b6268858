"""Loads by name, and what is to be carried when the grid fails.

Read next: ``scenario``.
"""

from __future__ import annotations

from pydantic import Field

from optimizer.documents import Document


class Load(Document):
    """A load: what it draws while it runs, for how much of the time, and whether it is critical."""

    name: str = Field(min_length=1)
    running_w: float = Field(gt=0, le=1e6)
    duty_pct: float = Field(default=100, gt=0, le=100)
    critical: bool = False

    @property
    def mean_kw(self) -> float:
        """Mean power over its duty. [kW]"""
        return self.running_w / 1000 * self.duty_pct / 100


class InAnOutage(Document):
    """What works without the grid; ``pv_runs`` tells whether the PV does, on its inverter or the hybrid's."""

    pv_runs: bool = True
