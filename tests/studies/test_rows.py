"""Rows kept by column read as they were put."""

from __future__ import annotations

from optimizer.studies.table import Rows


def test_rows_come_back_in_order_with_the_kinds_that_they_had() -> None:
    table = Rows()
    later = {"case": 2, "reason": "", "npv_eur": 0.1 + 0.2, "windows": None}
    first = {"case": 1, "reason": "at oak: no", "npv_eur": None, "windows": 3}
    table.put(2, later)
    assert [dict(row) for row in table.in_order()] == [later]
    table.put(1, first)
    rows = table.in_order()
    assert [dict(row) for row in rows] == [first, later]
    assert [type(value) for value in rows[0].values()] == [int, str, type(None), int]
    assert rows[1]["npv_eur"] == 0.30000000000000004
    assert rows[0] == first
