"""How clock times, decimals and money are written for a person.

Equipment shows times by a clock of 12 or of 24 hours and numbers with a point or a comma; what is typed in
is written in the same way. Files that programs read keep 24 hours, the point and the currency's code.

Read next: ``documents``.
"""

from __future__ import annotations

import re
from typing import Literal

from pydantic import Field, field_validator

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake
from optimizer.base.units import MINUTES_PER_DAY, clock, plain_number


class Writing(Document):
    """How a person's equipment and bills write what this program tells.

    =================  ========================================================================
    key                what it tells
    =================  ========================================================================
    ``clock``          ``24`` hours, or ``12`` with am and pm, for the times of the card
    ``decimal``        ``point`` or ``comma``, for the numbers of the card
    ``currency_sign``  a sign such as ``$`` in place of the tariff's currency, in text and page
    =================  ========================================================================
    """

    clock: Literal[12, 24] = 24
    decimal: Literal["point", "comma"] = "point"
    currency_sign: str | None = Field(default=None, min_length=1, max_length=8)

    @field_validator("currency_sign", mode="after")
    @classmethod
    def _can_be_seen(cls, sign: str | None) -> str | None:
        if sign is not None and (not sign.isprintable() or " " in sign):
            raise Mistake(f"currency_sign is {sign!r}", "Give a sign such as $, without spaces.")
        return sign

    def time(self, minute: int) -> str:
        """Return minutes since midnight as a clock time: ``16:30``, or ``4:30 pm``. [min]"""
        if self.clock == 24:
            return clock(minute)
        hour, rest = divmod(minute % MINUTES_PER_DAY, 60)
        return f"{(hour - 1) % 12 + 1}:{rest:02d} {'am' if hour < 12 else 'pm'}"

    def number(self, value: float, decimals: int = 3) -> str:
        """Return a number without signs between thousands and without trailing zeros."""
        text = plain_number(value, decimals).replace(",", "")
        return text.replace(".", ",") if self.decimal == "comma" else text


PLAIN = Writing()
"""24 hours and the decimal point."""

_FROM_THE_RIGHT = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc"
"""Signs of scripts that run from right to left. Source: Unicode Standard Annex 9."""

_RUN = re.compile(rf"[{_FROM_THE_RIGHT}]+(?:\s+[{_FROM_THE_RIGHT}]+)*")


def isolated(text: str) -> str:
    """Return a text in which words that run from right to left keep their own place.

    Figures and signs behind them would change sides otherwise. Source: Unicode Standard Annex 9, isolates.
    """
    return text if text.isascii() else _RUN.sub("\u2068\\g<0>\u2069", text)
