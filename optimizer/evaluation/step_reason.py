"""Why a step is as it is: the rule in force, the limit that binds, level and price, in one sentence.

Limits are those that the replay itself met (``simulation.trace``): of all that could have held back the
battery, those that are as low as what it did bind. Which of several equal ones is told goes by the order in
which they stand here: first what a person can change. Read next: ``simulation.trace``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.base.units import number, price
from optimizer.base.words import later, say
from optimizer.scenario.horizon import Horizon
from optimizer.settings.in_force import in_force
from optimizer.settings.windows import OUTSIDE_WORDS, Settings
from optimizer.simulation.replay import Orders, Replay, orders_of
from optimizer.simulation.step import (
    ACTION,
    ACTION_CODE,
    CAP,
    CHARGE,
    COVER,
    FLOOR,
    GRID,
    HOLD,
    IDLE,
    LOWEST,
    POWER,
    SELL,
    Numbers,
)
from optimizer.simulation.step import TARGET as UP_TO
from optimizer.simulation.trace import (
    ABOVE_LOW,
    ALLOWED,
    BARE,
    BOUGHT,
    FILL,
    FULL,
    NEED,
    PV,
    PV_BEYOND,
    PV_FIRST,
    RESTING,
    ROW,
    SLOW,
    TARGET,
    THROUGH,
    TO_EXPORT_LIMIT,
    UNDER_LIMIT,
    USABLE,
    trace_of,
)
from optimizer.site.limits import Way

SAME_KWH = 1e-7
"""Energies of a step as near as this are the same."""

Limit = Literal[
    "order", "target", "level", "sale", "grid power", "cap", "PV first", "export first", "resting",
    "least power", "floor", "full", "battery power", "inverter", "slow", "fill limit",
    "import limit", "export limit", "no battery",
]  # fmt: skip
"""What can hold back the battery: first what settings say, then equipment, then rules and connection."""

Kind = Literal["filled", "PV first", "drawn", "covered", "sunny", "nothing"]
"""The grid fills the battery; serves the building while PV fills it; serves the building; or gives nothing,
because the battery covers the building, because PV does, or because nothing is drawn."""


@dataclass(frozen=True)
class StepReason:
    """One step: mean powers [kW], level before it [%], price of a kWh of import, and what binds.

    ``binds`` holds the limits of what the battery did, ``export_binds`` those for which PV or stored energy
    leaves over the meter; both are empty where nothing held it back. ``window`` counts the windows of the
    settings from 1, and is 0 outside all of them.
    """

    step: int
    kind: Kind
    binds: tuple[Limit, ...]
    export_binds: tuple[Limit, ...]
    import_kw: float
    export_kw: float
    battery_kw: float
    level_pct: float
    price: float
    window: int
    text: str


class StepReasons:
    """Tells of any step of a replay why it is as it is."""

    def __init__(
        self,
        horizon: Horizon,
        settings: Settings,
        run: Replay,
        prices: Mapping[str, FloatArray],
        currency: str,
        demand_steps: Mapping[str, IntArray],
    ) -> None:
        """Trace a replay of settings.

        ``prices`` of ``import_kwh`` and ``export_kwh`` have shape (T,); [money per kWh] ``demand_steps`` are
        the steps that set the demand of a line of the bill, by its name.
        """
        self.horizon, self.settings, self.run = horizon, settings, run
        self.prices, self.currency, self.demand_steps = prices, currency, demand_steps
        self.orders: Orders = orders_of(settings, horizon.plant, horizon.grid)
        self.trace = trace_of(horizon, self.orders, run)
        self.window, self.limit = in_force(settings, horizon.grid)
        self.numbers = Numbers.of(horizon.plant, horizon.grid.step_h)

    def of(self, step: int) -> StepReason:
        """Return the reason of a step, 0 to T − 1."""
        at = _Step(self, step)
        kind = at.kind()
        binds = at.binds(kind)
        export_binds = at.export_binds() if at.exported > SAME_KWH else ()
        kw = 1 / self.horizon.grid.step_h
        return StepReason(
            step, kind, binds, export_binds, at.imported * kw, at.exported * kw,
            (at.charge - at.discharge) * kw, at.level_pct, at.price,
            int(self.window[step] or self.limit[step]), at.sentence(kind, binds, export_binds),
        )  # fmt: skip


class _Step:
    """One step and its trace, energies in kWh."""

    def __init__(self, of: StepReasons, step: int) -> None:
        flows, self.of, self.step = of.run.flows, of, step
        self.plant, self.n, self.seen = of.horizon.plant, of.numbers, of.trace[:, step]
        self.row = of.orders.table[int(self.seen[ROW])]
        self.action = int(self.row[ACTION])
        self.ended_early = int(self.seen[ROW]) != int(of.orders.of_step[step])
        self.imported, self.exported = (
            float(flows.import_kwh[step]),
            float(flows.export_kwh[step]),
        )
        self.charge, self.discharge = (
            float(flows.charge_kwh[step]),
            float(flows.discharge_kwh[step]),
        )
        self.unused = float(self.seen[PV] - flows.pv_used_kwh[step])
        self.level_pct = 100 * float(of.run.before_kwh[step]) / max(self.plant.capacity_kwh, 1e-9)
        self.price = float(of.prices["import_kwh"][step])

    @property
    def from_grid(self) -> float:
        """What fills the battery beyond PV, at its terminals. [kWh]"""
        eta = 1.0 if self.n.pv_on_dc else self.n.eta_dc
        return self.charge - float(self.seen[PV]) * eta

    def kind(self) -> Kind:
        if self.imported <= SAME_KWH:
            if self.discharge > SAME_KWH:
                return "covered"
            return "sunny" if self.seen[PV] > SAME_KWH else "nothing"
        if self.charge > SAME_KWH:
            if self.from_grid > SAME_KWH:
                return "filled"
            if self.imported > self.seen[BARE] + SAME_KWH:
                return "PV first"
        return "drawn"

    # --- which limits bind ---------------------------------------------------------------------

    def binds(self, kind: Kind) -> tuple[Limit, ...]:
        if kind == "filled":
            return _lowest(self.limits_of_filling(), self.charge)
        if kind == "PV first":
            return ("PV first",)
        return self.why_no_more() if kind == "drawn" else ()

    def limits_of_filling(self) -> dict[Limit, float]:
        """Return what charging from the grid is held to by each limit. [kWh at the battery]"""
        n, seen = self.n, self.seen
        eta = 1.0 if n.pv_on_dc else n.eta_dc
        limits: dict[Limit, float] = {"target": seen[TARGET]}
        if self.row[GRID] < min(n.charge / n.eta_dc, n.ac) - SAME_KWH:
            limits["grid power"] = (seen[PV] + seen[BOUGHT]) * eta
        return limits | {
            "full": seen[FULL],
            "battery power": n.charge,
            "inverter": n.ac * n.eta_dc + (seen[PV] if n.pv_on_dc else 0.0),
            "slow": seen[SLOW],
            "fill limit": (seen[PV] + seen[FILL]) * eta,
            self.import_limit: seen[UNDER_LIMIT],
        }

    @property
    def import_limit(self) -> Limit:
        return "cap" if self.row[CAP] <= self.seen[ALLOWED] + SAME_KWH else "import limit"

    def why_no_more(self) -> tuple[Limit, ...]:
        """Return what keeps the battery from giving more to the building."""
        seen, given = self.seen, self.discharge
        if self.plant.capacity_kwh <= 0 or self.plant.discharge_kw <= 0:
            return ("no battery",)
        if self.action in {COVER, SELL}:
            limits = self.limits_of_giving()
            most = min(limits.values())
            if abs(given - most) <= SAME_KWH:
                awake = min(seen[NEED], *(kwh for name, kwh in limits.items() if name != "resting"))
                too_little = seen[RESTING] and SAME_KWH < awake < self.n.least
                return _lowest(limits, given) + (("least power",) if too_little else ())
            if given < most:
                if min(most, seen[NEED]) >= self.n.least:
                    return ("PV first",)
                # Were the battery to work with so little, PV would fill it before the building.
                fills = self.n.pv_charges_first and seen[PV_FIRST] > SAME_KWH
                return ("least power", "PV first") if fills else ("least power",)
        if given > SAME_KWH:  # more than the order gives: a limit of the import asks for it
            return _lowest(self.limits_of_help(), given)
        if self.action == CHARGE and seen[UNDER_LIMIT] <= SAME_KWH and self.wants_to_fill():
            return (self.import_limit, "order")
        if self.action == CHARGE and seen[TARGET] <= SAME_KWH:
            return ("target",)
        return ("floor", "order") if seen[ABOVE_LOW] <= SAME_KWH else ("order",)

    def limits_of_giving(self) -> dict[Limit, float]:
        """Return what the battery gives at most by each limit, where the order lets it. [kWh]"""
        n, seen = self.n, self.seen
        limits: dict[Limit, float] = {}
        if self.action == SELL:
            limits["sale"] = self.row[POWER] / n.eta_ac
        if seen[RESTING]:
            limits["resting"] = 0.0
        low: Limit = "floor" if self.row[FLOOR] <= self.row[LOWEST] + SAME_KWH else "level"
        limits |= {low: seen[USABLE], "battery power": n.discharge, "inverter": seen[THROUGH]}
        if self.action == SELL:
            limits["export limit"] = max(seen[TO_EXPORT_LIMIT], 0.0)
        return limits

    def limits_of_help(self) -> dict[Limit, float]:
        """Return what the battery gives at most to keep a limit of the import. [kWh]"""
        n, seen = self.n, self.seen
        return {
            self.import_limit: seen[NEED] - seen[ALLOWED] / n.eta_ac,
            "floor": seen[ABOVE_LOW],
            "battery power": n.discharge,
            "inverter": seen[THROUGH],
        }

    def wants_to_fill(self) -> bool:
        limits = self.limits_of_filling()
        del limits[self.import_limit]
        return min(limits.values()) > SAME_KWH

    def export_binds(self) -> tuple[Limit, ...]:
        """Return why energy leaves over the meter rather than staying."""
        n, seen = self.n, self.seen
        if self.plant.capacity_kwh <= 0:
            return ("no battery",)
        if self.action in {SELL, IDLE}:
            return ("order",)
        if seen[PV_FIRST] < seen[PV_BEYOND] - SAME_KWH:
            return ("export first",)
        limits: dict[Limit, float] = {
            "full": seen[FULL], "battery power": n.charge, "slow": seen[SLOW],
        }  # fmt: skip
        if not n.pv_on_dc:
            limits["inverter"] = n.ac * n.eta_dc
        if self.charge < n.least and min(*limits.values(), seen[PV_FIRST]) < n.least:
            return ("full",) if seen[FULL] <= SAME_KWH else ("least power",)
        return _lowest(limits, self.charge)

    # --- words ---------------------------------------------------------------------------------

    def kw(self, energy_kwh: float) -> str:
        return number(energy_kwh / self.of.horizon.grid.step_h, 2)

    def sentence(
        self, kind: Kind, binds: tuple[Limit, ...], export_binds: tuple[Limit, ...]
    ) -> str:
        head = say("the grid gives nothing")
        if self.imported > SAME_KWH:
            head = say(
                "{kw} kW come from the grid at {price} {currency} per kWh",
                kw=self.kw(self.imported), price=price(self.price), currency=self.of.currency,
            )  # fmt: skip
        told = [say("{what}, because {cause}", what=head, cause=self.cause(kind, binds))]
        told += [self.export_words(export_binds)] if self.exported > SAME_KWH else []
        told += [self.unused_words()] if self.unused > SAME_KWH else []
        if self.imported > self.seen[ALLOWED] + SAME_KWH:
            told.append(self.words(later("that is more than the {allowed} kW that are allowed")))
        told += [
            say("it is among the steps that set “{line}”", line=line)
            for line, steps in self.of.demand_steps.items()
            if self.imported > SAME_KWH and self.step in steps
        ]
        level = (
            say("the battery stands at {pct} %", pct=number(self.level_pct, 0))
            if self.plant.capacity_kwh > 0
            else ""
        )
        text = "; ".join(filter(None, [*told, self.rule(), level]))
        return f"{text[0].upper()}{text[1:]}."

    def cause(self, kind: Kind, binds: tuple[Limit, ...]) -> str:
        if kind == "filled":
            share = (
                ""
                if self.imported <= self.charge / self.n.eta_dc + SAME_KWH
                else say(" beside the building")
            )
            taken = say("the battery is filled with {kw} kW", kw=self.kw(self.charge)) + share
            return f"{taken}, {self.words(FILLING[binds[0]])}" if binds else taken
        if kind == "covered":
            return say(
                "the battery gives the {kw} kW that are asked for", kw=self.kw(self.discharge)
            )
        if kind == "sunny":
            stored = (
                say(" and fills the battery with {kw} kW", kw=self.kw(self.charge))
                if self.charge > SAME_KWH
                else ""
            )
            return say("PV covers the building{stored}", stored=stored)
        if kind == "nothing":
            return say("nothing is drawn")
        return self.words((GIVEN if self.discharge > SAME_KWH else DRAWN)[binds[0]])

    def export_words(self, binds: tuple[Limit, ...]) -> str:
        head = say(
            "{kw} kW leave over the meter at {price}",
            kw=self.kw(self.exported),
            price=price(-float(self.of.prices["export_kwh"][self.step])),
        )
        return (
            say("{what}, because {cause}", what=head, cause=self.words(LEAVING[binds[0]]))
            if binds
            else head
        )

    def unused_words(self) -> str:
        limit = self.of.horizon.limits.export_kwh[self.step]
        if self.exported >= limit - SAME_KWH:
            return say(
                "{kw} kW of PV are not used, because no more than {limit} kW may leave over the meter",
                kw=self.kw(self.unused), limit=self.kw(limit),
            )  # fmt: skip
        return say(
            "{kw} kW of PV are not used, because the inverter lets no more through",
            kw=self.kw(self.unused),
        )

    def words(self, text: str) -> str:
        """Return a text of the tables below with the figures of this step."""
        plant, row = self.plant, self.row
        ways: tuple[Way, Way] = ("fill_kw", "import_kw")
        rule, import_rule = (
            plant.rule_at(self.of.horizon.grid, self.step, way) if plant.rules else None
            for way in ways
        )
        values = {
            "target": number(plant.soc_pct(float(row[UP_TO]))) if plant.capacity_kwh else "",
            "level": number(plant.soc_pct(float(row[FLOOR]))) if plant.capacity_kwh else "",
            "floor": number(plant.soc_pct(float(row[LOWEST]))) if plant.capacity_kwh else "",
            "high": number(plant.soc_pct(plant.high_kwh)) if plant.capacity_kwh else "",
            "now": self.kw(self.discharge),
            "takes": self.kw(self.n.charge),
            "gives": self.kw(self.n.discharge),
            "ac": self.kw(self.n.ac),
            "least": self.kw(self.n.least),
            "sale": self.kw(float(row[POWER])),
            "grid": self.kw(float(row[GRID])),
            "allowed": self.kw(float(min(self.seen[ALLOWED], 1e9))),
            "restart": number(plant.behaviour.floor_restart_pct),
            "fill_by": say("the rule “{rule}”", rule=rule) if rule else say("the agreement"),
            "import_by": say("the rule “{rule}”", rule=import_rule)
            if import_rule
            else say("the connection"),
            "order": say(ORDERED.get(self.action, "")),
        }
        return say(text, **values)

    def rule(self) -> str:
        """Return the rule in force in words."""
        settings, places = self.of.settings, self.of.settings.places()
        window, limit = int(self.of.window[self.step]), int(self.of.limit[self.step])
        told = [
            say("in force is {window}", window=settings.sentence(places[n - 1]))
            for n in (window, limit)
            if n
        ]
        if self.ended_early:
            early = say(
                "its level was reached, so that it has ended early: {does}", does=self.outside()
            )
            told.append(early)
        if not window:
            told.insert(0, say("outside all windows: {does}", does=self.outside()))
        return "; ".join(told)

    def outside(self) -> str:
        name = next(name for name, code in ACTION_CODE.items() if code == self.action)
        known: dict[str, str] = {str(key): text for key, text in OUTSIDE_WORDS.items()}
        return say(known.get(name, OUTSIDE_WORDS["cover"]))


def _lowest(limits: Mapping[Limit, float], value: float) -> tuple[Limit, ...]:
    """Return the limits that are as low as a value, in the order in which they stand."""
    return tuple(name for name, most in limits.items() if abs(most - value) <= SAME_KWH)


FILLING: dict[Limit, str] = {
    "target": later("until it stands at {target} %"),
    "grid power": later("as much as the window lets the grid give: {grid} kW"),
    "full": later("until it is full"),
    "battery power": later("and takes no more than {takes} kW"),
    "slow": later("and takes no more so near to full"),
    "fill limit": later("as much as {fill_by} allows"),
    "cap": later("as much as keeps the import at {allowed} kW"),
    "import limit": later("as much as keeps the import at the {allowed} kW of {import_by}"),
    "inverter": later("and the inverter lets no more than {ac} kW through"),
}
"""What holds filling from the grid."""

ORDERED: dict[int, str] = {
    CHARGE: later("the battery is to be filled, not drawn from"),
    HOLD: later("what is stored is to be held"),
    IDLE: later("the battery is neither to be filled nor drawn from"),
    SELL: later("the battery is to give to building and grid"),
}
"""What an order says where it keeps the battery from giving, or energy from staying."""

DRAWN: dict[Limit, str] = {
    "order": later("{order}"),
    "target": later(
        "the battery has reached the {target} % to which the window fills it, and does not give"
    ),
    "level": later("the window lets the battery go no lower than {level} %"),
    "sale": later("the window sells {sale} kW"),
    "cap": later("{order}, and cannot be while the import is at {allowed} kW or more"),
    "import limit": later(
        "{order}, and cannot be while the import is at the {allowed} kW of {import_by} or more"
    ),
    "PV first": later("PV fills the battery before it serves the building"),
    "resting": later("the battery was empty and rests until it stands {restart} % above its floor"),
    "least power": later("the battery rests below {least} kW"),
    "floor": later("the battery is down at its floor of {floor} %"),
    "battery power": later("the battery gives no more than {gives} kW"),
    "inverter": later("the inverter lets no more than {ac} kW through"),
    "export limit": later("no more may leave over the meter"),
    "no battery": later("there is no battery"),
}
"""What keeps the building on the grid."""

GIVEN: dict[Limit, str] = {
    **DRAWN,
    "level": later("the battery gives {now} kW, as low as the window lets it go: {level} %"),
    "sale": later("the battery gives {now} kW, for the window sells {sale} kW"),
    "cap": later("the battery gives the {now} kW that keep the import at {allowed} kW"),
    "import limit": later(
        "the battery gives the {now} kW that keep the import at the {allowed} kW of {import_by}"
    ),
    "floor": later("the battery gives {now} kW, all that is left above its floor of {floor} %"),
    "battery power": later("the battery gives {gives} kW, all that it can"),
    "inverter": later(
        "the battery gives {now} kW, and the inverter lets no more than {ac} kW through"
    ),
    "export limit": later("the battery gives {now} kW, and no more may leave over the meter"),
}
"""What keeps the building on the grid although the battery gives something."""

LEAVING: dict[Limit, str] = {
    "order": later("{order}"),
    "export first": later("PV left over goes to the grid before it is stored"),
    "full": later("the battery is full at {high} %"),
    "battery power": later("the battery takes no more than {takes} kW"),
    "slow": later("the battery takes no more so near to full"),
    "inverter": later("the inverter lets no more than {ac} kW through"),
    "least power": later("the battery rests below {least} kW"),
    "no battery": later("there is no battery"),
}
"""Why energy leaves over the meter."""
