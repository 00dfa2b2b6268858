"""What happened before a series and still counts on a bill.

Read next: ``scenario.scenario``.
"""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, Field

from optimizer.base.documents import Document
from optimizer.base.errors import Mistake


def _is_month(text: str) -> str:
    if re.fullmatch(r"\d{4}-(0[1-9]|1[0-2])", text) is None:
        raise Mistake(f"the key {text!r} is no month", "Write a year and a month, as 2025-03.")
    return text


PastMonth = Annotated[str, AfterValidator(_is_month)]

AtLeastZero = Annotated[float, Field(ge=0)]


class History(Document):
    """What happened before the series and still counts, by the name of the tariff's charge.

    ``peak_so_far_kw`` is the demand already reached in the first, running period, ``past_peaks_kw``
    the demand of earlier months, by month as ``2025-03``; ``banked`` the credit brought forward, in
    kWh or money as its charge counts it.
    """

    peak_so_far_kw: dict[str, AtLeastZero] = {}
    past_peaks_kw: dict[str, dict[PastMonth, AtLeastZero]] = {}
    banked: dict[str, AtLeastZero] = {}


NO_HISTORY = History()
