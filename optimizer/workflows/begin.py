"""Begin a scenario: a folder with ``scenario.yaml``, the meter's data and the tariff, out of answers.

What stands in the folder stays: answers that it holds are not asked again, files that it holds keep their
names.

Read next: ``scenario.draft``.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from optimizer.base.documents import is_file
from optimizer.base.errors import ScenarioError, SeriesError, TariffError
from optimizer.base.files import write_all
from optimizer.base.questions import Answers, Question
from optimizer.billing.rate_rows import (
    OtherRow,
    RateRow,
    RateSheet,
    RateTable,
    read_sheet,
    tariff_of,
    tariff_yaml,
)
from optimizer.billing.tariff import read_tariff
from optimizer.metering.found import Found, Request
from optimizer.metering.gaps import FillRule
from optimizer.metering.outside import read_all, tidy_csv
from optimizer.scenario.draft import Draft, completed, holding, read_draft, rewritten
from optimizer.scenario.questions import ARE_NET, FILL, HAVE_GAPS, HOLD_PV, METERS, TYPED_TARIFF
from optimizer.scenario.scenario import SCENARIO_FILE

METER = "meter.csv"


@dataclass
class Beginning:
    """A folder that is being begun, and what was read for it.

    ``draft`` is what stood there before.
    """

    folder: Path
    draft: Draft
    found: Found | None = None

    @property
    def known(self) -> Answers:
        """What the folder answers already; prices typed before are a tariff file that is there."""
        known = holding(self.draft)
        if known.get("tariff.how") == "typed" and is_file(self.folder / TYPED_TARIFF):
            known |= {"tariff.how": "file", "tariff.file": str(self.folder / TYPED_TARIFF)}
        return known

    def learn(self, question: Question, value: Any, answers: Answers) -> Answers:
        """Return what else an answer tells, having read the files that it names.

        Raises
        ------
        InputError
            If such a file cannot be read, or prices make no tariff.
        """
        if question.name == METERS and value:
            return self._read(value, answers["zone"])
        if question.name == "forecast.pv" and value == "metered" and not answers.get(HOLD_PV, True):
            raise ScenarioError(
                "the meter's files hold no column of PV",
                where=self.folder,
                mend="Say what the roof is like, or that there is none.",
            )
        if question.name == "tariff.file" and value:
            read_tariff(Path(value))
        if question.name == "tariff.how" and value == "typed":
            self._refuse_typed_twice()
        if question.name.startswith("rates."):
            tariff_text({**answers, question.name: value})
        return {}

    def _read(self, names: list[str], zone: str) -> Answers:
        try:
            self.found = read_all([Path(name) for name in names], Request(zone))
            point = self.found.chosen(None)
        except SeriesError as error:
            if "--" not in error.mend:
                raise
            told = "That is for tariffwright read: run it first, and name here what it writes."
            raise SeriesError(error.what, where=error.where, mend=f"{error.mend} {told}") from None
        columns = point.even.columns
        if not {"import_kwh", "load_kwh"} & {*columns}:
            raise SeriesError(
                f"these files tell {', '.join(columns)}, not what was used",
                where=names[0],
                mend="Give files with the import, or with the load.",
            )
        return {
            HOLD_PV: "pv_kwh" in columns,
            HAVE_GAPS: point.gaps > 0,
            ARE_NET: "export_kwh" in columns and not {"pv_kwh", "load_kwh"} & {*columns},
        }

    def _refuse_typed_twice(self) -> None:
        if is_file(self.folder / TYPED_TARIFF):
            raise ScenarioError(
                f"{TYPED_TARIFF} stands in the folder already",
                where=self.folder,
                mend="Name it as a tariff file that you have, or move it away.",
            )

    def finish(self, answers: Answers, unknown: Collection[str]) -> list[Path]:
        """Write the folder; return the files that were written.

        Raises
        ------
        InputError
            If they cannot be written.
        """
        answers, texts = dict(answers), dict[str, str]()
        if answers.get(METERS) and self.found is not None:
            name = self._free(METER)
            texts[name] = self._meter(answers)
            answers[METERS] = [name]
        if answers.get("tariff.how") == "typed":
            texts[TYPED_TARIFF] = tariff_text(answers, unknown)
        elif answers.get("tariff.file"):
            answers["tariff.file"] = self._copied(Path(answers["tariff.file"]), texts)
        unknown = {*unknown, *self.draft.unknown}
        texts[SCENARIO_FILE] = rewritten(self.draft, answers, unknown)
        write_all(texts, self.folder)
        return [self.folder / name for name in texts]

    def _copied(self, path: Path, texts: dict[str, str]) -> str:
        """Return the name of a tariff file in the folder; it goes there with the series that it names."""
        if path.resolve().parent == self.folder.resolve() or not is_file(path):
            return path.name  # it stands there, or is still to be put there
        tariff, name = read_tariff(path), self._free(path.name)
        for place, text in tariff.series.items():
            series = str(place.relative_to(path.parent))
            if (self.folder / series).exists():
                raise TariffError(
                    f"the tariff names {series}, and the folder holds another file of that name",
                    where=path,
                    mend="Move it away, or call it otherwise in the tariff.",
                )
            texts[series] = text
        texts[name] = tariff.source.text
        return name

    def _meter(self, answers: Answers) -> str:
        assert self.found is not None
        paths, fill = [self.found.path, *self.found.others], answers.get(FILL)
        if fill is None:
            return tidy_csv(self.found.chosen(None))
        request = Request(answers["zone"], fill=cast(FillRule, fill))
        return tidy_csv(read_all(paths, request).chosen(None))

    def _free(self, name: str) -> str:
        """Return a name that no file of the folder has."""
        stem, dot, kind = name.partition(".")
        number, free = 1, name
        while (self.folder / free).exists():
            number += 1
            free = f"{stem}_{number}{dot}{kind}"
        return free


def begin(folder: Path) -> Beginning:
    """Return a folder as it stands, to be begun or gone on with.

    Raises
    ------
    InputError
        If its ``scenario.yaml`` cannot be read, or a file stands where the folder should be.
    """
    if is_file(folder):
        raise ScenarioError("this is a file", where=folder, mend="Name a folder, a new one or not.")
    return Beginning(folder, read_draft(folder))


def tariff_text(answers: Answers, unknown: Collection[str] = ()) -> str:
    """Return a tariff file of prices that were typed; its source says if they were not known.

    Raises
    ------
    InputError
        If they make no tariff.
    """
    read = read_sheet(_sheet_of(completed(answers), is_known="rates.price" not in unknown))
    tariff = tariff_of(read, Path(TYPED_TARIFF))
    if tariff is None:
        first = read.findings[0]
        raise TariffError(first.what, where=Path(TYPED_TARIFF), mend=first.mend)
    return tariff_yaml(tariff)


def _sheet_of(full: Answers, *, is_known: bool) -> RateSheet:
    """Return answers about prices as a rate sheet: one price, or cheaper hours and all others."""
    spans = [
        part.replace("–", "-") for part in (full["rates.hours"] or "").split(",") if part.strip()
    ]
    cheap = tuple(
        RateRow(
            "cheaper hours", begin=begin.strip(), end=end.strip(), price=_typed(full["rates.cheap"])
        )
        for begin, _, end in (span.partition("-") for span in spans)
    )
    rest = "other hours" if cheap else "all times"
    fixed = (OtherRow("Fixed charge", _typed(full["rates.fixed"]), "month"),)
    return RateSheet(
        tariff=f"Prices of {full['scenario']}",
        currency=full["rates.currency"],
        source="typed from a bill"
        if is_known
        else "nobody's: prices were not known, and are assumed",
        about="Prices as they were typed; taxes are in them.",
        energy=RateTable("Energy", cheap, rest, _typed(full["rates.price"])),
        export=RateTable(
            "Export", rest_price=_typed(full["rates.export"]) if full["rates.export"] else ""
        ),
        others=fixed if full["rates.fixed"] else (),
    )


def _typed(value: float | None) -> str:
    return "" if value is None else f"{value:.9f}".rstrip("0").rstrip(".")
