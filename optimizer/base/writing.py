"""How clock times and decimals are written for a person to type in.

Equipment shows times by a clock of 12 or of 24 hours and numbers with a point or a comma; what is typed in
is written in the same way. Files that programs read keep 24 hours and the point.

Read next: ``documents``.
"""

from __future__ import annotations

from typing import Literal

from optimizer.base.documents import Document
from optimizer.base.units import MINUTES_PER_DAY, clock, number


class Writing(Document):
    """How the equipment writes times and numbers."""

    clock: Literal[12, 24] = 24
    decimal: Literal["point", "comma"] = "point"

    def time(self, minute: int) -> str:
        """Return minutes since midnight as a clock time: ``16:30``, or ``4:30 pm``. [min]"""
        if self.clock == 24:
            return clock(minute)
        hour, rest = divmod(minute % MINUTES_PER_DAY, 60)
        return f"{(hour - 1) % 12 + 1}:{rest:02d} {'am' if hour < 12 else 'pm'}"

    def number(self, value: float, decimals: int = 3) -> str:
        """Return a number without signs between thousands and without trailing zeros."""
        text = number(value, decimals).replace(",", "")
        return text.replace(".", ",") if self.decimal == "comma" else text


PLAIN = Writing()
"""24 hours and the decimal point."""
