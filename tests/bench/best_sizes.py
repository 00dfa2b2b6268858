"""Holds a study's best size against valuing every size, on five real sites and three tariffs.

    PYTHONPATH=. python tests/bench/best_sizes.py DATA [--keep FOLDER] [--only TEXT] [--if-it-pays] [--times 1]

DATA holds ``sites/*.csv.gz``, which are brought to hours. A row of fifteen sizes, 0.2 to 3 times the own,
is valued with windows, ageing and replacement, once all of them, once as ``best_size`` goes about it. The
battery has no fixed price. Its price a kWh is such that the own size and twice as much are worth the same,
at most four fifths of what the own breaks even at: so the best size lies inside the row where worth rises
and falls. A last study has the price at which the best size is to break even: there it must be worth nothing.
``--times`` takes a multiple of that price. FOLDER keeps what was planned, so that a second run plans only what is new.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimizer.studies.run import run_study
from optimizer.studies.verdict import StudyResult
from tests.bench.cells import SITES
from tests.bench.studies import prepare, silent

TARIFFS = ("two_rates", "peak_demand", "any_time.yaml")
"""Those of ``studies`` whose plans need no integers."""

COUNT, SMALLEST, LARGEST = 15, 0.2, 3.0
"""How many sizes are valued, and the ends of the row, in times the own."""

MOST_OF_BREAK_EVEN = 0.8

STUDY = """\
study: Sizes
sites: [{site}]
{asked}
money:
  years: 15
  discount_pct: 5
  battery: {{per_kwh: {price!r}}}
  replacement: {{below_pct: 70, only_if_it_pays: {if_it_pays}}}
ageing: {{calendar_pct_per_year: 1.5, pct_per_1000_cycles: 4, replan_every_years: 7}}
"""


@dataclass(frozen=True)
class Cell:
    """A site on a tariff, and where its studies are."""

    folder: Path
    out: Path
    site: str
    tariff: str
    own_kwh: float
    if_it_pays: bool
    price_times: float

    @property
    def sizes(self) -> list[float]:
        """The row. [kWh]"""
        times = np.linspace(SMALLEST, LARGEST, COUNT)
        return [round(float(each) * self.own_kwh, 6) for each in times]

    def run(self, price: float, vary: str = "", also: str = "") -> StudyResult:
        """Run a study at a price [money per kWh] in this process, of the own size without ``vary``."""
        asked = f"vary: {{tariff: [{self.tariff}]{vary}}}\n{also}"
        path = self.folder / "sizes.yaml"
        path.write_text(
            STUDY.format(
                site=self.site, asked=asked, price=price, if_it_pays=str(self.if_it_pays).lower()
            )
        )
        return run_study(path, self.out, processes=0, progress=silent)

    def valued(self, price: float, sizes: list[float]) -> dict[float, dict[str, float]]:
        """Return the figures of some sizes at a price, each of them a case of a study."""
        result = self.run(price, f", battery_kwh: {sizes}")
        assert len(result.done) == len(sizes), [row["reason"] for row in result.rows]
        return {row["battery_kwh"]: figures(result, row) for row in result.rows}

    @property
    def price(self) -> float:
        """The price of a kWh at which the own size and twice as much are worth the same, or less."""
        own, twice = self.valued(0.0, [self.own_kwh, 2 * self.own_kwh]).values()
        paid = [each["npv"] / each["break_even_price"] for each in (own, twice)]
        alike = (twice["npv"] - own["npv"]) / (paid[1] - paid[0])
        stated = min(alike, MOST_OF_BREAK_EVEN * own["break_even_price"])
        return round(self.price_times * stated, 2)


def figures(result: StudyResult, row: dict[str, float]) -> dict[str, float]:
    """Return what is looked at of a row, without the currency in its name."""
    unit = result.money
    return {
        "npv": row[f"npv_{unit}"],
        "break_even_price": row[f"break_even_price_{unit}_per_kwh"],
        "investment": row[f"investment_{unit}"],
        "replacements": row["replacements"],
    }


def measure(cell: Cell) -> tuple[float, float, int]:
    """Print a cell; return by how much its answer is off, what is left at break-even, sizes valued."""
    price = cell.price
    every = cell.valued(price, cell.sizes)
    best = max(every, key=lambda size: every[size]["npv"])
    row = f"best_size: {{from_kwh: {cell.sizes[0]}, to_kwh: {cell.sizes[-1]}, count: {COUNT}}}\n"
    (sized,) = cell.run(price, also=row).sized
    found = max(sized.valued, key=sized.valued.__getitem__)
    worth, most = sized.valued[found], every[best]["npv"]
    off = 100 * (most - worth) / abs(most)
    just = every[found]["break_even_price"]
    even = cell.valued(just, [found])[found]
    left = abs(even["npv"]) / even["investment"]
    print(
        f"{cell.site[:24]}, {cell.tariff.removesuffix('.yaml')}: {price:g} a kWh; of all {best:g} kWh"
        f" {most:.2f}, guided {found:g} kWh {worth:.2f} (first guess {sized.best.size_kwh:g}),"
        f" {off:.2f} % off, {len(sized.along)} of {COUNT} valued, {len(sized.best.planned)} plans for the"
        f" guess; breaks even at {just:.2f}, there {left:.0e} of the investment is left",
        flush=True,
    )
    told = (f"{size:g}: {each['npv']:.1f} ({each['replacements']})" for size, each in every.items())
    print("  " + ", ".join(told), flush=True)
    return off, left, len(sized.along)


def main() -> None:
    """Measure all cells, or those that are asked for."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("data", type=Path)
    asked.add_argument("--keep", type=Path)
    asked.add_argument("--only", default="")
    asked.add_argument("--if-it-pays", action="store_true")
    asked.add_argument("--times", type=float, default=1.0)
    given = asked.parse_args()
    found = []
    with tempfile.TemporaryDirectory() as folder:
        prepare(given.data, Path(folder), 2)
        for site in SITES.values():
            for tariff in TARIFFS:
                out = (given.keep or Path(folder)) / f"out_{site.file}_{tariff}"
                cell = Cell(
                    Path(folder),
                    out,
                    site.file,
                    tariff,
                    site.battery_kwh,
                    given.if_it_pays,
                    given.times,
                )
                if given.only in f"{site.file}, {tariff}":
                    found.append(measure(cell))
    off, left, valued = zip(*found, strict=True)
    print(
        f"{len(found)} cells: off by {max(off):.2f} % of the best at most, by more than 1 % in"
        f" {sum(each > 1 for each in off)}; {np.mean(valued):.1f} of {COUNT} sizes valued in the mean;"
        f" {max(left):.0e} of the investment left at break-even at most"
    )


if __name__ == "__main__":
    sys.exit(main())
