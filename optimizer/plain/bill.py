"""A second opinion on bills: loops over steps, days and periods, written from the tariff's words.

Nothing of the billing code is used here: local time comes from the zone, seasons and hours are read
from the tariff's text, credits lie in a bank as dated lots. Amounts are plain numbers, so there is
no expression that could be wrong in the same way as the program's. Holidays are given as dates, prices
of a series as numbers. Read next: ``replay``.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, timezone
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

Words = dict[str, Any]
DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")


@dataclass(frozen=True)
class Moment:
    """One step of a meter: where it lies by the local clock, and what was counted in it."""

    number: int
    day: date
    minute: int
    offset: timedelta | None
    share_of_day: float
    bought: float
    sold: float
    reactive: float
    stored: float


def moments(
    start: str,
    zone: str,
    minutes: int,
    bought: Sequence[float],
    sold: Sequence[float],
    reactive: Sequence[float],
    pv: Sequence[float],
) -> list[Moment]:
    """Return the steps of a meter from a wall-clock moment on; energies in kWh, shapes (T,)."""
    info = ZoneInfo(zone)
    first = datetime.fromisoformat(start).replace(tzinfo=info).astimezone(UTC)
    found = []
    steps = zip(bought, sold, reactive, pv, strict=True)
    for number, (kwh, out, kvarh, sun) in enumerate(steps):
        local = (first + number * timedelta(minutes=minutes)).astimezone(info)
        day = local.date()
        begin, end = (
            datetime(d.year, d.month, d.day, tzinfo=info).astimezone(UTC)
            for d in (day, day + timedelta(days=1))
        )
        share = timedelta(minutes=minutes) / (end - begin)
        found.append(Moment(number, day, local.hour * 60 + local.minute, local.utcoffset(), share,
                            float(kwh), float(out), float(kvarh),
                            max(float(out - sun), 0.0)))  # fmt: skip
    return found


def months_of(meter: Sequence[Moment]) -> list[tuple[date, date]]:
    """Return the calendar months of a meter, each from its first day to that of the next."""
    firsts = sorted({moment.day.replace(day=1) for moment in meter})
    return [(first, (first + timedelta(days=32)).replace(day=1)) for first in firsts]


def rows_of(text: str) -> list[dict[str, str]]:
    """Return the rows of a table of prices, each cell by its column."""
    lines = [line for line in text.lstrip("\ufeff").splitlines() if line.strip() and line[0] != "#"]
    return [
        {key.strip(): (cell or "").strip() for key, cell in row.items()}
        for row in csv.DictReader(lines)
    ]


def year_of(day: date, begins: str | None) -> int:
    """Return the year in which a day lies, if years begin on a month and day."""
    first = date.fromisoformat(f"{day.year}-{begins or '01-01'}")
    return day.year if day >= first else day.year - 1


def minute_of(text: str) -> int:
    """Return a clock time as minutes of the day."""
    hour, minute = text.split(":")
    return 60 * int(hour) + int(minute)


def rounded(value: float, rule: Words | None) -> float:
    """Return a value as the tariff rounds it; halves away from zero."""
    if rule is None:
        return value
    count = abs(value) / rule["to"]
    near = round(count)
    if abs(count - near) < 1e-9 * max(count, 1):
        whole = near
    else:
        how = rule.get("how", "nearest")
        whole = {"nearest": math.floor(count + 0.5), "down": int(count), "up": int(count) + 1}[how]
    return math.copysign(whole * rule["to"], value)


def pay(amount: float, ends: Sequence[float], prices: Sequence[float]) -> float:
    """Return what an amount costs where each block has its price."""
    cost, begin = 0.0, 0.0
    for end, price in zip([*ends, math.inf], prices, strict=True):
        if amount > begin:
            cost += price * (min(amount, end) - begin)
        begin = max(begin, end)
    return cost


@dataclass
class Lots:
    """Credits, each with the period in which it was made; the oldest are used first."""

    lots: list[list[float]] = field(default_factory=list)

    def settle(self, period: int, charged: float) -> float:
        """Return what is due; a negative sum becomes a credit."""
        if charged < 0:
            self.lots.append([period, -charged])
            return 0.0
        for lot in self.lots:
            used = min(lot[1], charged)
            lot[1] -= used
            charged -= used
        return charged

    def lose(self, before: float) -> float:
        """Throw away the credits made before a period, and return how much that was."""
        gone = sum(amount for made, amount in self.lots if made < before)
        self.lots = [lot for lot in self.lots if lot[0] >= before]
        return gone


@dataclass
class PlainBill:
    """The amounts of a tariff, by the charge's name and the number of the period."""

    versions: list[Words]
    meter: list[Moment]
    periods: list[tuple[date, date]]
    step_h: float
    peak_so_far_kw: dict[str, float] = field(default_factory=dict)
    past_peaks_kw: dict[str, dict[str, float]] = field(default_factory=dict)
    banked: dict[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.amounts: dict[tuple[str, int], float] = {}
        self.so_far: dict[Any, float] = {}
        self.lots: dict[str, Lots] = {}
        self.actual_kw: dict[tuple[str, int], float] = {}
        self.alone_kw: dict[tuple[str, int], float] = {}
        self.billed_kw: dict[tuple[str, int], float] = {}
        edges = [*(version["from"] for version in self.versions), date.max]
        for version, (begin, end) in zip(self.versions, pairwise(edges), strict=True):
            if any(begin <= moment.day < end for moment in self.meter):
                _Version(self, version, begin, end).bill()

    def middle(self, period: int) -> date:
        """Return the day in the middle of a period."""
        first, end = self.periods[period]
        return first + timedelta(days=(end - first).days // 2)


class _Version:
    """One version of the tariff on the days on which it holds."""

    def __init__(self, bill: PlainBill, words: Words, begin: date, end: date) -> None:
        self.all, self.words, self.begin, self.end = bill, words, begin, end
        self.version = self
        self.own: dict[int, dict[str, float]] = {p: {} for p in range(len(bill.periods))}
        self.kw: dict[tuple[str, int], float] = {}
        self.holidays = set(words.get("holidays", {}).get("dates", ()))
        self.in_period: list[list[Moment]] = []
        self.whole: list[list[Moment]] = []
        for first, last in bill.periods:
            inside = [m for m in bill.meter if first <= m.day < last]
            self.whole.append(inside)
            self.in_period.append([m for m in inside if begin <= m.day < end])
        self.runs = self._season_runs()

    def bill(self) -> None:
        """Add the amounts of all charges, in the tariff's order."""
        for charge in self.words["charges"]:
            getattr(self, f"_{charge['kind']}")(charge)
        rule = self.words.get("round_total")
        for lines in self.own.values():
            if rule and lines:
                whole = sum(lines.values())
                lines["Rounding"] = rounded(whole, rule) - whole
        for period, lines in self.own.items():
            for name, amount in lines.items():
                key = name, period
                self.all.amounts[key] = self.all.amounts.get(key, 0.0) + amount

    def add(self, charge: Words, period: int, amount: float) -> None:
        amount = rounded(amount, charge.get("round_amount"))
        lines = self.own[period]
        lines[charge["name"]] = lines.get(charge["name"], 0.0) + amount

    def billed_periods(self) -> list[int]:
        return [period for period, inside in enumerate(self.in_period) if inside]

    def closes(self, period: int) -> bool:
        """Return whether this version holds at the end of what is metered of a period."""
        return self.whole[period][-1] in self.in_period[period]

    # --- the calendar ------------------------------------------------------------------------

    def season(self, day: date) -> str:
        rest, now = "", (day.month, day.day)
        seasons: dict[str, str | list[str]] = self.words.get("seasons", {})
        for name, spans in seasons.items():
            for text in [spans] if isinstance(spans, str) else spans:
                if text == "otherwise":
                    rest = name
                    continue
                first, last = (tuple(map(int, part.split("-"))) for part in text.split(" to "))
                inside = first <= now <= last if first <= last else now >= first or now <= last
                if inside:
                    return name
        return rest

    def _season_runs(self) -> dict[date, date]:
        """Return for each day the first metered day of the season's run in which it lies."""
        runs: dict[date, date] = {}
        before = None
        for day in sorted({moment.day for moment in self.all.meter}):
            same = before is not None and self.season(before) == self.season(day)
            runs[day] = runs[before] if same and before is not None else day
            before = day
        return runs

    def holds(self, when: Words, moment: Moment) -> bool:
        if "any_of" in when:
            return any(self.holds(part, moment) for part in when["any_of"])
        day = moment.day
        if "seasons" in when and self.season(day) not in when["seasons"]:
            return False
        for span in when.get("hours", ["00:00-24:00"]):
            begin, end = (60 * int(t[:2]) + int(t[3:]) for t in span.split("-"))
            if begin < end:
                inside, named = begin <= moment.minute < end, day
            else:
                inside, named = not end <= moment.minute < begin, day
                if moment.minute < end and when.get("after_midnight") == "next day":
                    named = day - timedelta(days=1)
            if inside and self.names(when, named):
                return True
        return False

    def names(self, when: Words, day: date) -> bool:
        """Return whether a day is one that the words name."""
        if "dates" in when and day not in when["dates"]:
            return False
        if day in self.holidays:
            named = {"all", "holidays"}
        else:
            named = {"all", DAYS[day.weekday()], "weekends" if day.weekday() > 4 else "weekdays"}
        return bool(named & set(when.get("days", ["all"])))

    def days(self, period: int, seasons: list[str] | None = None) -> float:
        return sum(
            m.share_of_day for m in self.in_period[period]
            if seasons is None or self.season(m.day) in seasons
        )  # fmt: skip

    def length(self, period: int) -> int:
        first, end = self.all.periods[period]
        return (end - first).days

    def share(self, period: int) -> float:
        """Return the share of the metered days of a period on which this version holds."""
        return self.days(period) / sum(m.share_of_day for m in self.whole[period])

    def units(self, per: str, period: int) -> float:
        year = self.all.periods[period][0].year
        of_year = 366 if year % 4 == 0 else 365
        length = {"day": 1, "month": self.length(period), "year": of_year, "30 days": 30}[per]
        return self.days(period) / length

    # --- fixed, minimum, percentages ---------------------------------------------------------

    def _fixed(self, charge: Words) -> None:
        for period in self.billed_periods():
            units = self.units(charge["per"], period)
            if "month_days" in charge:
                units = self.days(period) / charge["month_days"]
            self.add(charge, period, charge["amount"] * units)

    def above(self, names: Any, period: int) -> float:
        lines = self.own[period]
        return sum(x for name, x in lines.items() if names == "all above" or name in names)

    def _minimum(self, charge: Words) -> None:
        for period in self.billed_periods():
            least = charge["amount"] * self.units(charge["per"], period)
            self.add(charge, period, max(least - self.above(charge["of"], period), 0.0))

    def _percentage(self, charge: Words) -> None:
        for period in self.billed_periods():
            percent = charge.get("percent", 0.0)
            kwh = sum(m.bought for m in self.in_period[period])
            kvarh = sum(m.reactive for m in self.in_period[period])
            hours = len(self.in_period[period]) * self.all.step_h
            kw = self.kw.get((charge.get("demand", ""), period), 0.0)
            reached = {
                "from_kwh": kwh,
                "from_load_factor": kwh / (kw * hours) if kw else 1.0,
                "from_power_factor": kwh / math.hypot(kwh, kvarh) if kvarh else 1.0,
            }
            for band in charge.get("bands", ()):
                if all(reached[key] >= start for key, start in band.items() if key != "percent"):
                    percent = band["percent"]
            self.add(charge, period, percent / 100 * self.above(charge["of"], period))

    # --- energy ------------------------------------------------------------------------------

    def parts(self, charge: Words) -> list[tuple[str, Words, Any]]:
        """Return the parts of a charge: name, words, and who decides which moments are its own."""
        if "rates" not in charge:
            return [(charge["name"], charge, lambda m: self.holds(charge, m))]

        def rate_of(moment: Moment) -> Words:
            holding: dict[str, list[Words]] = {"dated": [], "plain": [], "rest": []}
            for rate in charge["rates"]:
                ranks = {
                    "rest" if rate.get("otherwise") else "dated" if "dates" in part else "plain"
                    for part in rate.get("any_of", [rate])
                    if self.holds(part, moment)
                }
                for rank in ranks:
                    holding[rank].append(rate)
            found = holding["dated"] or holding["plain"] or holding["rest"]
            if len(found) != 1:
                raise ValueError(f"{len(found)} rates of {charge['name']!r} hold at {moment.day}")
            return found[0]

        return [
            (f"{charge['name']}: {rate['name']}", rate, lambda m, r=rate: rate_of(m) is r)
            for rate in charge["rates"]
        ]

    def _energy(self, charge: Words) -> None:
        self._priced(charge, lambda m: m.bought, 1.0)

    def _export_credit(self, charge: Words) -> None:
        counted = {
            "any": lambda m: m.sold,
            "pv": lambda m: m.sold - m.stored,
            "battery": lambda m: m.stored,
        }
        self._priced(charge, counted[charge.get("origin", "any")], -1.0)

    def _priced(self, charge: Words, counted: Any, sign: float) -> None:
        if "series" in charge or "table" in charge:
            self._by_file(charge, counted, sign)
            return
        if charge.get("blocks_shared"):
            self._in_proportion(charge, counted, sign)
            return
        for name, words, owns in self.parts(charge):
            for period in self.billed_periods():
                own = [m for m in self.in_period[period] if owns(m)]
                if not own:
                    continue
                if "blocks" in words:
                    cost = self._blocks(charge, name, words, period, own, counted, sign)
                else:
                    kwh = rounded(sum(map(counted, own)), charge.get("round_kwh"))
                    cost = sign * words["per_kwh"] * kwh
                self.add(charge, period, cost)

    def _in_proportion(self, charge: Words, counted: Any, sign: float) -> None:
        """Price what all rates of the same seasons have in blocks, and give each rate its share."""
        for period in self.billed_periods():
            groups: dict[Any, list[tuple[Words, float]]] = {}
            for _, words, owns in self.parts(charge):
                own = [counted(m) for m in self.in_period[period] if owns(m)]
                if own:
                    key = frozenset(
                        name
                        for part in words.get("any_of", [words])
                        for name in part.get("seasons", [""])
                    )
                    kwh = rounded(sum(own), charge.get("round_kwh"))
                    groups.setdefault(key, []).append((words, kwh))
            for group in groups.values():
                total = sum(kwh for _, kwh in group)
                for words, kwh in group:
                    ends = self._ends(words["blocks"], words, period)
                    prices = [sign * block["per_kwh"] for block in words["blocks"]["blocks"]]
                    whole = pay(total, ends, prices)
                    self.add(charge, period, whole * kwh / total if total else 0.0)

    def _by_file(self, charge: Words, counted: Any, sign: float) -> None:
        named: Words = charge["series" if "series" in charge else "table"]
        for period in self.billed_periods():
            cost = 0.0
            for moment in self.in_period[period]:
                if self.holds(charge, moment):
                    if "series" in charge:
                        price = self._price_of_series(named, moment)
                    else:
                        price = self._paid(named, self._price_in(named, moment))
                    cost += sign * price * counted(moment)
            self.add(charge, period, cost)

    def _paid(self, named: Words, market: float) -> float:
        price: float = market * named.get("times", 1.0) + named.get("plus_per_kwh", 0.0)
        price = max(price, named.get("at_least_per_kwh", -math.inf))
        most: float = named.get("at_most_per_kwh", math.inf)
        return min(price, most)

    def _price_of_series(self, named: Words, moment: Moment) -> float:
        """Return the mean of what the file's prices within a step are paid at. [money per kWh]"""
        since = (self._local(moment) - named["first"]) / timedelta(minutes=named["minutes"])
        first, count = math.floor(since + 1e-9), round(60 * self.all.step_h / named["minutes"])
        places = range(first, first + max(count, 1))
        paid = [
            0.0 if self._in_run(named, n) else self._paid(named, named["values"][n]) for n in places
        ]
        return sum(paid) / len(paid)

    def _in_run(self, named: Words, place: int) -> bool:
        """Return whether a price is one of so many hours of low ones in a row."""
        rule: Words = named.get("zero_in_run", {})
        values, below = named["values"], rule.get("below_per_kwh", 0.0)

        def is_low(n: int) -> bool:
            return 0 <= n < len(values) and bool(values[n] < below)

        if not rule or not is_low(place):
            return False
        first = last = place
        while is_low(first - 1):
            first -= 1
        while is_low(last + 1) and rule.get("counted_from", "begin") == "begin":
            last += 1
        long: float = (last - first + 1) * named["minutes"] / 60
        return bool(long >= rule["hours"] - 1e-9)

    def _local(self, moment: Moment) -> datetime:
        offset = timezone(moment.offset or timedelta())
        return datetime.combine(moment.day, time(*divmod(moment.minute, 60)), offset)

    def _price_in(self, table: Words, moment: Moment) -> float:
        """Return the price of the one row of a table that holds a moment. [money per kWh]"""
        local = self._local(moment)
        if "zone" in table:
            local = local.astimezone(ZoneInfo(table["zone"]))
        minute = 60 * local.hour + local.minute
        found = []
        for row in table["rows"]:
            inside = minute_of(row["from"]) <= minute < minute_of(row["to"])
            days = row.get("days", "").replace(";", " ").split() or ["all"]
            if not (inside and self.names({"days": days}, local.date())):
                continue
            months = row.get("months", "").replace(";", " ").split() or ["1-12"]
            for span in months:
                first, _, last = span.partition("-")
                low, high, now = int(first), int(last or first), local.month
                if low <= now <= high or (high < low and (now >= low or now <= high)):
                    found.append(row)
        if len(found) != 1:
            raise ValueError(f"{len(found)} rows hold at {local}")
        price = float(found[0][table["column"]])
        return price / 1000 if table["column"].endswith("per_mwh") else price

    def _blocks(
        self, charge: Words, name: str, words: Words, period: int, own: list[Moment],
        counted: Any, sign: float,
    ) -> float:  # fmt: skip
        rule = words["blocks"]
        prices = [sign * block["per_kwh"] for block in rule["blocks"]]
        over = rule.get("counted_over", "period")
        if over == "period":
            kwh = rounded(sum(map(counted, own)), charge.get("round_kwh"))
            ends = self._ends(rule, words, period)
            if rule.get("price_of_all"):
                price: float = prices[sum(kwh > end + 1e-6 for end in ends)]
                return kwh * price
            return pay(kwh, ends, prices)
        ends = self._whole_ends(rule)
        cost = 0.0
        begins = rule.get("year_begins")
        spans = [year_of(m.day, begins) if over == "year" else self.runs[m.day] for m in own]
        for span in sorted(set(spans)):
            inside = [counted(m) for m, s in zip(own, spans, strict=True) if s == span]
            kwh = rounded(sum(inside), charge.get("round_kwh"))
            before = self.all.so_far.get((name, span), 0.0)
            cost += pay(before + kwh, ends, prices) - pay(before, ends, prices)
            self.all.so_far[name, span] = before + kwh
        return cost

    def _whole_ends(self, rule: Words) -> list[float]:
        return [
            rounded(block["up_to_kwh"], rule.get("round_sizes")) for block in rule["blocks"][:-1]
        ]

    def _ends(self, rule: Words, words: Words, period: int) -> list[float]:
        parts = words.get("any_of", [words])
        seasons = [name for part in parts for name in part.get("seasons", ())]
        days = self.days(period, seasons if all("seasons" in part for part in parts) else None)
        scale = days / self.length(period)
        low, high = rule.get("unless_days", (math.inf, -math.inf))
        if "per_days" in rule and not low <= self.length(period) <= high:
            scale = days / rule["per_days"]
        ends: list[float] = []
        for block in rule["blocks"][:-1]:
            size = block.get("up_to_kwh", 0.0) * scale
            if "up_to_h" in block:
                size = block["up_to_h"] * scale * self.kw[rule["demand"], period]
            else:
                size = rounded(size, rule.get("round_sizes"))
            ends.append(max([size, *ends[-1:]]))
        return ends

    # --- demand ------------------------------------------------------------------------------

    def intervals(self, charge: Words, own: list[Moment]) -> list[tuple[Moment, float, float]]:
        """Return the first moment, the kW and the kvar of each demand interval."""
        h, long = self.all.step_h, charge["interval_minutes"] / 60
        runs: list[list[Moment]] = []
        if charge.get("rolling_minutes") and h < long:
            count = round(long / h)
            for place in range(len(own) - count + 1):
                run = own[place : place + count]
                begins = run[0].minute % charge["rolling_minutes"] == 0
                if begins and run[-1].number - run[0].number == count - 1:
                    runs.append(run)
        else:
            of_interval: dict[Any, list[Moment]] = {}
            for m in own:
                key = m.day, m.offset, m.minute // max(charge["interval_minutes"], round(60 * h))
                of_interval.setdefault(key, []).append(m)
            runs = list(of_interval.values())
        found = []
        for run in runs:
            hours = len(run) * h
            pct = charge["month_pct"][run[0].day.month - 1] if "month_pct" in charge else 100
            for part in charge.get("any_of", ()):
                if "pct" in part and self.holds(part, run[0]):
                    pct *= part["pct"] / 100
                    break
            out = charge.get("direction") == "export"
            found.append((run[0], sum(m.sold if out else m.bought for m in run) / hours * pct / 100,
                          sum(m.reactive for m in run) / hours * pct / 100))  # fmt: skip
        return found

    def highest(self, charge: Words, own: list[Moment], before: list[float]) -> float:
        """Return the mean of the highest values of intervals, or of days, weeks or months."""
        best: dict[Any, float] = {}
        one_per = charge.get("one_per", "interval")
        for first, kw, _ in self.intervals(charge, own):
            key: Any = {
                "interval": first.number, "day": first.day,
                "week": first.day.isocalendar()[:2], "month": (first.day.year, first.day.month),
            }[one_per]  # fmt: skip
            best[key] = max(best.get(key, 0.0), kw)
        count = charge.get("highest", 1)
        if "coincident" in charge:
            every = [*best.values(), *before]
            return sum(every) / len(every) if every else 0.0
        if count == 1:
            return max([*best.values(), *before, 0.0])
        top = sorted([*best.values(), *before], reverse=True)[:count]
        return sum(top) / len(top)

    def _demand(self, charge: Words) -> None:
        for begin, end, kw in self._bookings(charge):
            words = dict(charge)
            for part, key in (("contract", "kw"), ("excess", "above_kw")):
                if part in charge and kw is not None:
                    words[part] = {key: kw} | charge[part]
            inside = self if kw is None else _Version(self.all, self.words, begin, end)
            inside.own, inside.kw, inside.version = self.own, self.kw, self
            inside._demand_as_agreed(words)

    def _bookings(self, charge: Words) -> list[tuple[date, date, float | None]]:
        """Return stretches of this version's metered days with one booked power, its day after last."""
        found: list[tuple[date, date, float | None]] = []
        for day in sorted({m.day for inside in self.in_period for m in inside}):
            after, kw = day + timedelta(days=1), None
            for number, booking in enumerate(charge.get("booked", ())):
                begun = number == 0 and "from" in booking
                if (
                    begun
                    or day >= booking.get("from", date.max)
                    or day.month in booking.get("months", ())
                ):
                    kw = booking["kw"]
            if found and found[-1][2] == kw:
                found[-1] = found[-1][0], after, kw
            else:
                found.append((day, after, kw))
        return found

    def counts(self, charge: Words, moment: Moment) -> bool:
        """Return whether the demand of a moment counts: in its hours, or in one of the named intervals."""
        if "coincident" not in charge:
            return self.holds(charge, moment)
        long = max(charge["interval_minutes"], round(60 * self.all.step_h))
        for text in charge["coincident"]:
            begin = minute_of(text[11:]) // long * long
            if text[:10] == str(moment.day) and begin <= moment.minute < begin + long:
                return True
        return False

    def _demand_as_agreed(self, charge: Words) -> None:
        shared = charge.get("at_change") == "whole period"
        for period in self.billed_periods():
            counted = self.whole[period] if shared else self.in_period[period]
            own = [m for m in counted if self.counts(charge, m)]
            if charge.get("counted_over") == "day":
                self._demand_of_days(charge, period, own)
            elif own or self._owed(charge, period):
                self._demand_of(charge, period, own)

    def _demand_of_days(self, charge: Words, period: int, own: list[Moment]) -> None:
        blocks = charge.get("blocks", [{"per_kw": charge.get("per_kw")}])
        of_block = [0.0] * len(blocks)
        for day in sorted({m.day for m in own}):
            kw = self._agreed(charge, self.highest(charge, [m for m in own if m.day == day], []))
            kw, below = rounded(kw, charge.get("round_kw")), 0.0
            for number, block in enumerate(blocks):
                end = block.get("up_to_kw", math.inf)
                of_block[number] += block["per_kw"] * max(min(kw, end) - below, 0.0)
                below = end
        for amount in of_block if own else ():
            self.add(charge, period, amount)

    def _agreed(self, charge: Words, kw: float) -> float:
        """Return what is billed of a demand by its floor and its contract."""
        kw = max(kw, charge.get("at_least_kw", 0.0))
        if "contract" in charge:
            deal = charge["contract"]
            billed = max(kw, deal.get("at_least_pct", 100) / 100 * deal["kw"])
            if "exceeded_at_pct" in deal:
                beyond = kw - deal["exceeded_at_pct"] / 100 * deal["kw"]
                billed = max(billed, kw + deal["times"] * beyond)
            kw = billed
        return kw

    def _owed(self, charge: Words, period: int) -> bool:
        """Return whether a charge is billed in a period: in its months, or if a day is in its seasons."""
        if "billed_in" in charge:
            month = self.all.middle(period).month
            return charge["billed_in"] == "every month" or month in charge["billed_in"]
        days = {moment.day for moment in self.in_period[period]}
        parts = charge.get("any_of", [charge])
        return any(
            "seasons" not in part or self.season(d) in part["seasons"]
            for part in parts
            for d in days
        )

    def past(self, name: str, period: int, months: int) -> list[tuple[str, float]]:
        """Return what is told of the months before the series, of so many before a period."""
        now, found = self.all.middle(period), []
        for _ in range(months):
            now = now.replace(day=1) - timedelta(days=1)
            kw = self.all.past_peaks_kw.get(name, {}).get(f"{now:%Y-%m}")
            first = self.all.middle(0)
            if kw is not None and (now.year, now.month) < (first.year, first.month):
                found.append((f"{now:%Y-%m}", kw))
        return found

    def _demand_of(self, charge: Words, period: int, own: list[Moment]) -> None:
        name = charge["name"]
        kw = self._metered(charge, period, own)
        actual = kw
        kw = self._agreed(charge, kw)
        kw = self._remembering(charge, period, kw)
        alone = kw
        if "mean_of_months" in charge:
            count = charge["mean_of_months"]
            before = range(max(period - count + 1, 0), period)
            alone_kw = self.all.alone_kw
            months = [kw, *(alone_kw[name, p] for p in before if (name, p) in alone_kw)]
            floor = charge.get("at_least_kw", 0.0)
            months += [max(x, floor) for _, x in self.past(name, period, count - 1)]
            kw = max(sum(months) / len(months), charge.get("at_least_mean_kw", 0.0))
        kw = rounded(kw, charge.get("round_kw"))
        for table, value in (
            (self.all.actual_kw, actual), (self.all.alone_kw, alone), (self.all.billed_kw, kw),
        ):  # fmt: skip
            table[name, period] = max(table.get((name, period), 0.0), value)
        if self._owed(charge, period):
            part = self.days(period) / self.version.days(period)
            self.kw[name, period] = self.kw.get((name, period), 0.0) + part * kw
            self._price_of_demand(charge, period, kw)

    def _metered(self, charge: Words, period: int, own: list[Moment]) -> float:
        name, before = charge["name"], []
        if charge.get("counted_over") == "year":
            year = year_of(self.all.periods[period][0], charge.get("year_begins"))
            if charge.get("of_year") == "previous":
                kw = self._of_year(charge, year - 1)
                return self._of_year(charge, year) or 0.0 if kw is None else kw
            return self._of_year(charge, year) or 0.0
        if name in self.all.peak_so_far_kw and period == 0:
            shared = charge.get("at_change") == "whole period"
            if shared or self.begin <= self.all.meter[0].day < self.end:
                before = [self.all.peak_so_far_kw[name]]
        if "excess" in charge and own:
            agreed = charge["excess"]["above_kw"]
            beyond = [max(kw - agreed, 0.0) for _, kw, _ in self.intervals(charge, own)]
            is_root = charge["excess"]["counted"] == "root of squares"
            return math.sqrt(sum(x * x for x in beyond)) if is_root else sum(beyond)
        kw = self.highest(charge, own, before)
        rule = charge.get("power_factor")
        if rule is None:
            return kw
        target: float = rule["target"]
        values = self.intervals(charge, own)
        if rule["rule"] == "kva":
            return max([kw, *(target * math.hypot(p, q) for _, p, q in values)])
        active, reactive = sum(m.bought for m in own), sum(m.reactive for m in own)
        if rule.get("at") == "peak":
            _, active, reactive = max(values, key=lambda v: v[1])
        factor = active / math.hypot(active, reactive) if active or reactive else 1.0
        if factor >= target:
            return kw
        return kw * target / factor if rule["rule"] == "ratio" else kw * (1 + target - factor)

    def _of_year(self, charge: Words, year: int) -> float | None:
        """Return the demand of a year, in the series and told from before it; None if nothing is known."""
        name, begins = charge["name"], charge.get("year_begins")
        own = [
            m for m in self.all.meter if year_of(m.day, begins) == year and self.counts(charge, m)
        ]
        before = [
            x for month, x in self.past(name, 0, 24)
            if year_of(date.fromisoformat(f"{month}-15"), begins) == year
        ]  # fmt: skip
        if year_of(self.all.periods[0][0], begins) == year and name in self.all.peak_so_far_kw:
            before.append(self.all.peak_so_far_kw[name])
        return self.highest(charge, own, before) if own or before else None

    def _remembering(self, charge: Words, period: int, kw: float) -> float:
        rule = charge.get("ratchet")
        if rule is None:
            return kw
        name, count = charge["name"], rule.get("months", 11)
        table = self.all.billed_kw if rule.get("of") == "billed" else self.all.actual_kw
        months = rule.get("in_months", range(1, 13))
        before = [
            table[name, p] for p in range(max(period - count, 0), period)
            if (name, p) in table and self.all.middle(p).month in months
        ]  # fmt: skip
        before += [x for month, x in self.past(name, period, count) if int(month[5:]) in months]
        share: float = rule["pct"] / 100
        return max([kw, *(share * x for x in before)])

    def _price_of_demand(self, charge: Words, period: int, kw: float) -> None:
        share, per = self.share(period), charge.get("per", "month")
        first, end = self.all.periods[period]
        if per == "day":
            share *= sum(m.share_of_day for m in self.whole[period])
        if per == "year":
            is_month = first.day == 1 and end.day == 1 and 27 < (end - first).days < 32
            of_year = 366 if first.year % 4 == 0 else 365
            share *= 1 / 12 if is_month else (end - first).days / of_year
        blocks = charge.get("blocks", [{"per_kw": charge.get("per_kw")}])
        ends = [block["up_to_kw"] for block in blocks[:-1]]
        rule = charge.get("round_amount")
        for number, block in enumerate(blocks):
            prices = [0.0] * len(blocks)
            prices[number] = block["per_kw"]
            amount = rounded(pay(kw, ends, prices) * share, rule)
            self.add(charge, period, amount)

    def _step_fee(self, charge: Words) -> None:
        for period in self.billed_periods():
            value = self._measure(charge, period)
            if value is None:
                continue
            amount = 0.0
            for step in charge["steps"]:
                if value >= step["from"]:
                    amount = step["amount"]
            self.add(charge, period, amount * self.days(period) / self.length(period))

    def _measure(self, charge: Words, period: int) -> float | None:
        by = charge["by"]
        if by == "import_kwh":
            return sum(m.bought for m in self.in_period[period])
        if charge.get("of_period") != "previous":
            return self.kw.get((by, period))
        if period:
            return self.all.billed_kw.get((by, period - 1))
        told = self.past(by, 0, 1)
        return told[0][1] if told else self.kw.get((by, 0))

    def _reactive(self, charge: Words) -> None:
        free = charge.get("free_share", 0.0)
        for period in self.billed_periods():
            own = [m for m in self.in_period[period] if self.holds(charge, m)]
            if not own:
                continue
            if "per_kvarh" in charge:
                beyond = sum(m.reactive for m in own) - free * sum(m.bought for m in own)
                price = charge["per_kvarh"]
            else:
                values = self.intervals({"interval_minutes": 15} | charge, own)
                beyond = max(q for _, _, q in values) - free * max(p for _, p, _ in values)
                price = charge["per_kvar"] * self.share(period)
            beyond = rounded(max(beyond, 0.0), charge.get("round_quantity"))
            self.add(charge, period, price * beyond)

    # --- banks -------------------------------------------------------------------------------

    def is_reset(self, charge: Words, period: int) -> bool:
        """Return whether the day of the reset lies in a period, its first day being too early."""
        if "reset" not in charge:
            return False
        first, end = self.all.periods[period]
        month, day = map(int, charge["reset"].split("-"))
        now = first + timedelta(days=1)
        while now <= end:
            if (now.month, now.day) == (month, day):
                return True
            now += timedelta(days=1)
        return False

    def settled(self, charge: Words, name: str, period: int, charged: float) -> tuple[float, float]:
        """Return what is due of a period, and what was lost at its end."""
        lots = self.all.lots.setdefault(name, Lots([[-1, self.all.banked.get(name, 0.0)]]))
        due, lost = lots.settle(period, charged), 0.0
        if self.closes(period):
            if "expire_after_periods" in charge:
                lost += lots.lose(period - charge["expire_after_periods"] + 1)
            if self.is_reset(charge, period):
                lost += lots.lose(math.inf)
        return due, lost

    def _net_energy(self, charge: Words) -> None:
        surplus = charge.get("surplus_per_kwh", 0.0)
        for name, words, owns in self.parts(charge):
            for period in self.billed_periods():
                own = [m for m in self.in_period[period] if owns(m)]
                net = sum(m.bought - m.sold for m in own)
                before = 0.0
                if charge.get("netted_over") == "year":
                    key = name, year_of(self.all.middle(period), charge.get("year_begins"))
                    before = self.all.so_far.get(key, 0.0)
                    self.all.so_far[key] = before + net
                    due = max(before + net, 0) - max(before, 0)
                    lost = max(-before - net, 0) - max(-before, 0)
                elif charge.get("left_over", "carried") == "carried":
                    due, lost = self.settled(charge, name, period, net)
                else:
                    due, lost = max(net, 0.0), max(-net, 0.0)
                due = rounded(due, charge.get("round_kwh"))
                if "blocks" in words and own:
                    prices = [block["per_kwh"] for block in words["blocks"]["blocks"]]
                    ends = self._ends(words["blocks"], words, period)
                    if words["blocks"].get("counted_over") == "year":
                        ends = self._whole_ends(words["blocks"])
                    paid = max(before, 0.0)
                    cost = pay(paid + due, ends, prices) - pay(paid, ends, prices)
                else:
                    cost = words.get("per_kwh", 0.0) * due
                self.add(charge, period, cost - surplus * lost)

    def _credit_bank(self, charge: Words) -> None:
        for period in self.billed_periods():
            charged = self.above([*charge["credits"], *charge["offset"]], period)
            if charge.get("left_over") == "lost":
                due, lost = max(charged, 0.0), max(-charged, 0.0)
            else:
                due, lost = self.settled(charge, charge["name"], period, charged)
            paid = charge.get("paid_pct", 0.0) / 100 * lost
            self.add(charge, period, due - charged - paid)
