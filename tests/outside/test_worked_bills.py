"""Every shipped tariff makes of its worked bills what is written beside it, to the half cent.

The figures stand in ``tariffs/*.bills.yaml``, each bill with its source: a published bill, or
arithmetic done by hand on published or invented prices.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from optimizer.billing.tariff import read_tariff, shipped_tariffs
from optimizer.billing.worked import (
    WorkedBill,
    bills_beside,
    check_worked_bill,
    compile_worked_bill,
    read_worked_bills,
)
from optimizer.errors import InputError, ScenarioError, TariffError

TARIFFS = shipped_tariffs()
BILLS = [
    pytest.param(name, worked, id=f"{name}-{worked.number + 1}")
    for name, path in TARIFFS.items()
    for worked in (read_worked_bills(bills_beside(path)) if bills_beside(path).exists() else ())
]


@pytest.mark.parametrize(("name", "worked"), BILLS)
def test_a_shipped_tariff_makes_its_worked_bills(name: str, worked: WorkedBill) -> None:
    figures = check_worked_bill(read_tariff(TARIFFS[name]), worked)
    wrong = [figure for figure in figures if not figure.is_right]
    assert figures
    assert not wrong
