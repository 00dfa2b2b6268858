"""A second opinion on flows: do energies add up in each step, and does each keep its limit?

Read next: ``workflows.verify``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

from optimizer.plain.replay import Site, Step

SLACK_KWH = 5e-6
"""Several energies, each written with six digits, may miss their sum by so much. [kWh]"""

BOTH_WAYS_KWH = 1e-5
"""Two opposite flows above this in one step are more than a solver's rounding. [kWh]"""


class Fault(NamedTuple):
    """What is wrong in a step: its number, the flow, what was asked, what it is and should be. [kWh]"""

    step: int
    flow: str
    what: str
    found: float
    expected: float


@dataclass(frozen=True)
class Held:
    """What flows are held against: loads, PV, and for a plan its floors by month and its end. [kWh]

    A replay may overload the connection, and obeys what the behaviour says; a plan knows neither.
    """

    site: Site
    local: Sequence[datetime]
    load: Sequence[float]
    pv: Sequence[float]
    start: float
    is_plan: bool
    floors: Mapping[int, float] = field(default_factory=dict)
    end: float | None = None

    def faults(self, steps: Sequence[Step]) -> Iterator[Fault]:
        """Yield what is wrong, step by step."""
        before, of_day = self.start, 0.0
        for t, step in enumerate(steps):
            for flow, what, found, low, high in self._in_step(t, step, before):
                slack = SLACK_KWH + 1e-9 * max(abs(found), step.import_kwh, step.stored_kwh)
                if not low - slack <= found <= high + slack:
                    yield Fault(t, flow, what, found, low if found < low else high)
            before = step.stored_kwh
            is_new = t == 0 or self.local[t].date() != self.local[t - 1].date()
            of_day = step.discharge_kwh + (0.0 if is_new else of_day)
            allowed = self.site.cycles
            if self.is_plan and allowed is not None:
                most = allowed * self.site.capacity
                if of_day > most + 24 * SLACK_KWH:
                    yield Fault(t, "discharge_kwh", "the cycles of a day", of_day, most)
        if self.end is not None and abs(before - self.end) > SLACK_KWH + 1e-9 * self.end:
            yield Fault(len(steps) - 1, "stored_kwh", "the level at the end", before, self.end)

    def _in_step(
        self, t: int, s: Step, before: float
    ) -> Iterator[tuple[str, str, float, float, float]]:
        """Yield flow, what is asked, its value, and between which it must lie."""
        site = self.site
        import_limit, export_limit, fill_limit = site.allowed(self.local[t])
        house = self.load[t] + (0.0 if self.is_plan else site.number("standby_kw") * site.h)
        for flow, high in (
            ("import_kwh", import_limit if self.is_plan else math.inf), ("export_kwh", export_limit),
            ("charge_kwh", site.most_in), ("discharge_kwh", site.most_out),
            ("pv_used_kwh", self.pv[t] if site.hybrid else min(self.pv[t], site.pv_limit)),
        ):  # fmt: skip
            yield flow, "its limit", getattr(s, flow), 0.0, high
        floor = max(site.low, self.floors.get(self.local[t].month, 0.0))
        yield "stored_kwh", "floor and ceiling", s.stored_kwh, floor, site.high
        through = s.pv_used_kwh + s.discharge_kwh - s.charge_kwh
        if site.hybrid:
            arrived = site.to_ac * through if through >= 0 else through / site.to_dc
            filled = max(-through, 0.0) / site.to_dc
        else:
            filled = max(s.charge_kwh / site.to_dc - s.pv_used_kwh, 0.0)
            arrived = s.pv_used_kwh + site.to_ac * s.discharge_kwh - s.charge_kwh / site.to_dc
        sent = site.to_ac * (through if site.hybrid else s.discharge_kwh)
        yield "discharge_kwh", "the inverter's limit", sent, -math.inf, site.ac
        yield "charge_kwh", "filling from the grid", filled, 0.0, fill_limit
        balance = house + s.export_kwh
        yield "import_kwh", "the balance of energies", s.import_kwh + arrived, balance, balance
        if not site.may_export_stored:
            most = s.pv_used_kwh * (site.to_ac if site.hybrid else 1.0)
            yield "export_kwh", "no export of stored energy", s.export_kwh, 0.0, most
        level = self._level_after(s, before)
        yield "stored_kwh", "the level after the step", s.stored_kwh, level, level
        for one, other in (("import_kwh", "export_kwh"), ("charge_kwh", "discharge_kwh")):
            both = min(getattr(s, one), getattr(s, other))
            yield one, f"one way at a time, beside {other}", both, 0.0, BOTH_WAYS_KWH

    def _level_after(self, s: Step, before: float) -> float:
        site = self.site
        running = 0.0 if self.is_plan else site.number("running_loss_kw") * site.h
        level = site.low + site.kept * (before - site.low)
        if s.charge_kwh > 0:
            level += max(site.into * s.charge_kwh - running, 0.0)
        if s.discharge_kwh > 0:
            level -= s.discharge_kwh / site.out_of + running
        return level
