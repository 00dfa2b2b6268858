"""Say which card to use from this evening on, by the results of a plan and the yield expected of tomorrow.

The rule lies beside the cards in a file of its own, so that a person, or a scheduler, can read it alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from pydantic import Field, field_validator, model_validator

from optimizer.base.calendar import MONTH_NAMES
from optimizer.base.documents import Document, is_file, read_document
from optimizer.base.errors import InputError, Mistake, SettingsError
from optimizer.base.units import clock, read_clock
from optimizer.forecasting.day_ahead import SWITCHED_AT
from optimizer.settings.windows import Settings

if TYPE_CHECKING:
    from optimizer.search.second_card import Cards

BRIGHT, DARK, RULE = "settings_bright.yaml", "settings_dark.yaml", "two_cards.yaml"
"""Files of a result: card A, card B for dark days, and when which of them is used."""

PLAN, ONE = "plan.json", "settings.yaml"


class RuleOfMonths(Document):
    """Below which expected yield of a day card B is used, in some months; 0 is never. [kWh]"""

    months: list[Annotated[int, Field(ge=1, le=12)]] = Field(min_length=1)
    below_kwh: float = Field(ge=0)


class RuleOfCards(Document):
    """When which of two cards is used: each holds from ``switched_at`` on the evening before, for a day."""

    switched_at: str
    rules: list[RuleOfMonths]

    @field_validator("switched_at", mode="after")
    @classmethod
    def _is_clock(cls, text: str) -> str:
        try:
            read_clock(text)
        except ValueError as failure:
            raise Mistake(f"switched_at: {failure}", "Write it as 20:00.") from None
        return text

    @model_validator(mode="after")
    def _months_stand_once(self) -> RuleOfCards:
        months = [month for rule in self.rules for month in rule.months]
        double = [month for month in months if months.count(month) > 1]
        if double:
            raise Mistake(
                f"{MONTH_NAMES[double[0] - 1]} stands twice", "Let each month stand once.", "rules"
            )
        return self

    def below_in(self, month: int) -> float:
        """Return below which expected yield card B is used in a month; 0 where none is named. [kWh]"""
        return next((rule.below_kwh for rule in self.rules if month in rule.months), 0.0)


@dataclass(frozen=True)
class Tomorrow:
    """Which card to use for a day.

    ``card`` is ``A``, ``B`` (dark days), or empty where one does for every sky; ``file`` holds its settings.
    ``below_kwh`` is the threshold of the day's month, 0 where card A does for every sky. [kWh]
    """

    day: date
    card: str
    file: Path
    settings: Settings
    switched_at: str
    below_kwh: float
    pv_kwh: float | None


def rule_of(cards: Cards) -> RuleOfCards:
    """Return the rule of two cards."""
    pairs = zip(cards.groups, cards.below_kwh, strict=True)
    rules = [RuleOfMonths(months=list(months), below_kwh=kwh) for months, kwh in pairs]
    return RuleOfCards(switched_at=clock(SWITCHED_AT), rules=rules)


def tomorrow(results: Path, pv_kwh: float | None = None, day: date | None = None) -> Tomorrow:
    """Return which card holds for a day, tomorrow if none is given, by the yield expected of it. [kWh]

    Raises
    ------
    InputError
        If the folder holds no results of a plan, or they cannot be read; if the yield decides and is not
        given, or cannot be.
    """
    day = day or date.today() + timedelta(days=1)  # noqa: DTZ011 - a person's calendar
    if pv_kwh is not None and not (math.isfinite(pv_kwh) and pv_kwh >= 0):
        raise InputError(
            f"a yield of {pv_kwh} kWh cannot be",
            where="--pv",
            mend="Give 0 or more kWh of the day.",
        )
    if not is_file(results / PLAN):
        raise InputError(
            f"there are no results: {PLAN} is missing",
            where=str(results),
            mend="Name a folder that plan has written.",
        )
    if not is_file(results / RULE):
        return Tomorrow(day, "", *_card(results / ONE), "", 0.0, pv_kwh)
    rule, _ = read_document(results / RULE, RuleOfCards, SettingsError)
    below = rule.below_in(day.month)
    if below and pv_kwh is None:
        raise InputError(
            f"which card to use depends on the PV expected of {day}, and it is not given",
            where="--pv",
            mend="Give the yield of that day in kWh, as your forecast tells it; none is fetched here.",
        )
    is_dark = pv_kwh is not None and pv_kwh < below
    card = _card(results / (DARK if is_dark else BRIGHT))
    return Tomorrow(day, "B" if is_dark else "A", *card, rule.switched_at, below, pv_kwh)


def _card(path: Path) -> tuple[Path, Settings]:
    return path, read_document(path, Settings, SettingsError)[0]
