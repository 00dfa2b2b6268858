"""What money a person states: prices of equipment, rates, taxes; and what counts as the saving.

Rates are either all nominal (in the money of each year) or all real (in today's money); the file
says which. Read next: ``cash_flow``.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.economics.returns import annuity_factor, nominal_rate, real_rate

OF_OTHER_PARTS = ("ageing", "draws")
"""Parts of a study beside the money whose sources stand with those of the money."""

PARTS_OF_BILL = ("import", "export", "demand")
"""Parts of a bill whose prices may rise otherwise than the rest."""

Against = Literal["no_battery", "no_windows", "neither"]


class Price(Document):
    """What equipment costs: a fixed sum, and so much for each kWh and kW. [money]"""

    fixed: float = Field(default=0, ge=0)
    per_kwh: float = Field(default=0, ge=0)
    per_kw: float = Field(default=0, ge=0)

    def of(self, kwh: float, kw: float) -> float:
        """Return the price of equipment of some kWh and kW; nothing costs nothing. [money]"""
        if kwh == kw == 0:
            return 0.0
        return self.fixed + self.per_kwh * kwh + self.per_kw * kw


class Package(Document):
    """A battery with its inverter as it stands in a price list, for one sum. [money]

    ``of_which_inverter`` is not paid again when the battery is replaced.
    """

    battery_kwh: float = Field(gt=0, le=1e6)
    battery_kw: float = Field(gt=0, le=1e6)
    inverter_kw: float = Field(gt=0, le=1e6)
    price: float = Field(ge=0)
    of_which_inverter: float = Field(default=0, ge=0)

    @model_validator(mode="after")
    def _part_of_it(self) -> Package:
        if self.of_which_inverter > self.price:
            raise Mistake(
                f"of_which_inverter is {self.of_which_inverter:g}, above the price of {self.price:g}",
                "Give what of the price is the inverter's.",
                "of_which_inverter",
            )
        return self

    def times(self, factor: float) -> Package:
        """Return the same with a battery that costs so many times as much."""
        battery = factor * (self.price - self.of_which_inverter)
        return self.model_copy(update={"price": battery + self.of_which_inverter})


class Incentive(Document):
    """What is given to the investment: a share of it, at most a sum, and a sum."""

    share_pct: float = Field(default=0, ge=0, le=100)
    at_most: float | None = Field(default=None, ge=0)
    amount: float = Field(default=0, ge=0)

    def of(self, investment: float) -> float:
        """Return what an investment is given; never more than itself. [money]"""
        share = self.share_pct / 100 * investment
        if self.at_most is not None:
            share = min(share, self.at_most)
        return min(share + self.amount, investment)


class Operating(Document):
    """What the equipment costs each year, in the prices of year 1, and by how much that rises."""

    per_year: float = Field(default=0, ge=0)
    per_kwh_per_year: float = Field(default=0, ge=0)
    rises_pct_per_year: float = Field(default=0, gt=-50, le=50)


class Replacement(Document):
    """When the battery is replaced: after so many years, or below so much of its capacity.

    ``price_changes_pct_per_year`` is how its price moves until then, negative if it falls; the fixed
    sum is paid again. It is done at most ``at_most`` times. With ``only_if_it_pays`` it is done so often as
    is worth most; a battery that is not replaced goes on as it fades.
    """

    after_years: int | None = Field(default=None, ge=1, le=60)
    below_pct: float | None = Field(default=None, gt=0, lt=100)
    price_changes_pct_per_year: float = Field(default=0, gt=-50, le=50)
    at_most: int | None = Field(default=None, ge=0, le=60)
    only_if_it_pays: bool = False

    @model_validator(mode="after")
    def _one_rule(self) -> Replacement:
        if (self.after_years is None) == (self.below_pct is None):
            given = "neither" if self.after_years is None else "both"
            raise Mistake(
                f"of after_years and below_pct {given} is given",
                "Give one of the two, or leave out the replacement.",
            )
        return self


class Residual(Document):
    """What the battery is worth when the years are over.

    ``share_pct`` of its price then, for a battery as new; in proportion down to nothing at
    ``worthless_pct`` of its capacity.
    """

    share_pct: float = Field(default=0, ge=0, le=100)
    worthless_pct: float = Field(default=60, ge=0, lt=100)


class Rises(Document):
    """By how much prices for import, export and demand rise, where that is not as all others do."""

    import_pct: float | None = Field(default=None, gt=-50, le=50)
    export_pct: float | None = Field(default=None, gt=-50, le=50)
    demand_pct: float | None = Field(default=None, gt=-50, le=50)


class Loan(Document):
    """A share of what is invested, incentive taken off, paid back in equal sums at the end of each year."""

    share_pct: float = Field(default=100, gt=0, le=100)
    rate_pct: float = Field(ge=0, le=50)
    years: int = Field(ge=1, le=60)

    def paid_per_year(self, invested: float) -> float:
        """Return what is paid each year: principal × rate ÷ (1 − (1 + rate)^−years). [money]"""
        return self.share_pct / 100 * invested / annuity_factor(self.rate_pct / 100, self.years)


class Lease(Document):
    """What is paid at the end of each year in place of the battery's price; nothing is left of it."""

    per_year: float = Field(default=0, ge=0)
    per_kwh_per_year: float = Field(default=0, ge=0)
    rises_pct_per_year: float = Field(default=0, gt=-50, le=50)

    def paid_in(self, year: int, kwh: float) -> float:
        """Return what is paid at the end of a year, from 1 on. [money]"""
        rent = self.per_year + self.per_kwh_per_year * kwh
        return rent * float((1 + self.rises_pct_per_year / 100) ** (year - 1))


class Terms(Document):
    """The money section of a study; see each part.

    ``prices_rise_pct_per_year`` moves all prices of the utility; the tariff's own hold in year 1. ``rises``
    are those of some of them. A ``loan`` is in the money of each year, whatever the rates are; a ``lease``
    stands in place of the battery's price.
    ``taxes_per_year`` are what an accountant says: one sum for every year, or one for each; positive is
    paid. ``against`` is what the saving is measured from, ``pv`` what the PV costs where it is part of
    the investment. ``sources`` says for each part where its figures come from.
    """

    years: int = Field(default=15, ge=1, le=60)
    rates_are: Literal["nominal", "real"] = "nominal"
    discount_pct: float = Field(gt=-50, le=100)
    inflation_pct: float = Field(default=0, gt=-50, le=100)
    prices_rise_pct_per_year: float = Field(default=0, gt=-50, le=50)
    rises: Rises = Rises()
    against: Against = "no_battery"
    loan: Loan | None = None
    lease: Lease | None = None
    battery: Price = Price()
    inverter: Price = Price()
    pv: float = Field(default=0, ge=0)
    incentive: Incentive = Incentive()
    operating: Operating = Operating()
    replacement: Replacement | None = None
    residual: Residual = Residual()
    taxes_per_year: float | list[float] = 0.0
    sources: dict[str, str] = {}

    @model_validator(mode="after")
    def _fits(self) -> Terms:
        if isinstance(self.taxes_per_year, list) and len(self.taxes_per_year) != self.years:
            raise Mistake(
                f"taxes_per_year has {len(self.taxes_per_year)} sums for {self.years} years",
                "Give one sum for every year of the study, or a single one.",
                "taxes_per_year",
            )
        if self.lease is not None and (self.loan or self.replacement or self.battery != Price()):
            raise Mistake(
                "a battery that is leased has no price, loan or replacement of its own",
                "Remove money.battery, loan and replacement, or the lease.",
                "lease",
            )
        unknown = set(self.sources) - {*type(self).model_fields, *OF_OTHER_PARTS}
        if unknown:
            raise Mistake(
                f"sources names {sorted(unknown)[0]!r}, which is no part of money, nor one of"
                f" {', '.join(OF_OTHER_PARTS)}",
                "Name the parts as they are called there.",
                "sources",
            )
        return self

    def of_package(self, package: Package | None) -> Terms:
        """Return the same with the prices of a package, if there is one."""
        if package is None:
            return self
        battery = Price(fixed=package.price - package.of_which_inverter)
        inverter = Price(fixed=package.of_which_inverter)
        return self.model_copy(update={"battery": battery, "inverter": inverter})

    def replacing_at_most(self, times: int) -> Terms:
        """Return the same with a battery that is replaced at most so often."""
        if self.replacement is None:
            return self
        rule = self.replacement.model_copy(update={"at_most": times})
        return self.model_copy(update={"replacement": rule})

    def rise_of(self, part: str) -> float:
        """Return by how much prices of a part of the bill rise: import, export or demand. [1/year]"""
        own = getattr(self.rises, f"{part}_pct")
        return (self.prices_rise_pct_per_year if own is None else own) / 100

    @property
    def rise_apart(self) -> bool:
        """Whether a part of the bill rises otherwise than the rest."""
        return any(
            self.rise_of(part) != self.prices_rise_pct_per_year / 100 for part in PARTS_OF_BILL
        )

    @property
    def discount(self) -> float:
        """Discount rate, in the same kind of money as all other rates. [1/year]"""
        return self.discount_pct / 100

    def taxes_of(self, year: int) -> float:
        """Return the taxes of a year, from 1 on. [money]"""
        taxes = self.taxes_per_year
        return taxes[year - 1] if isinstance(taxes, list) else taxes

    def both_kinds(self, rate: float) -> tuple[float, float]:
        """Return a rate of this money's kind as nominal and as real. [1/year]"""
        inflation = self.inflation_pct / 100
        if self.rates_are == "nominal":
            return rate, real_rate(rate, inflation)
        return nominal_rate(rate, inflation), rate
