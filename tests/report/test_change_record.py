"""Changes of a renewal as data: each kind with what it says and no more."""

from __future__ import annotations

from optimizer.evaluation.renewal import Valued
from optimizer.report.record import change_record
from optimizer.search.renewing import Change, OnceChange, RaisedFloor
from optimizer.settings.windows import Window

OLD = Window(start="01:00", end="05:00", action="charge", until_pct=80)
NEW = Window(start="01:00", end="05:00", action="charge", until_pct=60, grid_kw=2)
AS_OLD = {"start": "01:00", "end": "05:00", "action": "charge", "until_pct": 80.0}
AS_NEW = {**AS_OLD, "until_pct": 60.0, "grid_kw": 2.0}


def test_an_entry_that_is_changed_tells_days_months_and_both_values() -> None:
    change = Change((1, 2), (5, 6), OLD, NEW, (0, (0,)), is_whole=True)
    record = change_record(Valued(change, 1.25), None)
    assert record.pop("what") == change.sentence()
    assert record == {
        "kind": "change", "months": [1, 2], "weekdays": [5, 6], "list": None, "field": None,
        "before": AS_OLD, "after": AS_NEW, "floor_before_pct": None, "floor_after_pct": None,
        "saves_per_month": 1.25,
    }  # fmt: skip


def test_an_entry_that_is_added_or_removed_has_one_value() -> None:
    added = change_record(Valued(Change((1,), (0,), None, NEW, (0, (0,)), False), None), None)
    removed = change_record(Valued(Change((1,), (0,), OLD, None, None, False), 0.5), None)
    assert (added["kind"], added["before"], added["after"]) == ("add", None, AS_NEW)
    assert (removed["kind"], removed["before"], removed["after"]) == ("remove", AS_OLD, None)
    assert added["saves_per_month"] is None


def test_a_field_that_stands_once_names_its_list() -> None:
    change = OnceChange((3,), "charging", "level", OLD, NEW, 0)
    record = change_record(Valued(change, 2.0), None)
    assert (record["kind"], record["list"], record["field"]) == ("field", "charging", "level")
    assert (record["weekdays"], record["before"]) == (None, AS_OLD)


def test_a_raised_floor_tells_both_floors() -> None:
    record = change_record(Valued(RaisedFloor((11, 12), 10.0, 30.0, "for outages"), None), None)
    assert (record["kind"], record["months"]) == ("floor", [11, 12])
    assert (record["floor_before_pct"], record["floor_after_pct"]) == (10.0, 30.0)
    assert record["before"] is None
