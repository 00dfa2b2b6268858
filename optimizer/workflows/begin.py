"""Begin a scenario: a folder with ``scenario.yaml``, the meter's data and the tariff, out of answers.

What stands in the folder stays: answers that it holds are not asked again, files that it holds keep their
names.

Read next: ``scenario.draft``.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, cast

from optimizer.base.documents import Source, checked, is_file
from optimizer.base.errors import ScenarioError, SeriesError, TariffError
from optimizer.base.files import write_all
from optimizer.base.questions import Answers, Question
from optimizer.base.yaml_text import typed_yaml
from optimizer.billing.tariff import TariffFile, read_tariff
from optimizer.metering.found import Found, Request
from optimizer.metering.gaps import FillRule
from optimizer.metering.outside import read_all, tidy_csv
from optimizer.scenario.draft import Draft, completed, holding, read_draft, rewritten
from optimizer.scenario.questions import ARE_NET, FILL, HAVE_GAPS, HOLD_PV, METERS, TYPED_TARIFF
from optimizer.scenario.scenario import SCENARIO_FILE

METER = "meter.csv"

SINCE = date(2010, 1, 1)
"""From when on typed prices hold: last year's meter can be billed with them, too."""


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
            tariff_of({**answers, question.name: value})
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
            texts[TYPED_TARIFF] = tariff_of(answers, unknown)
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


def tariff_of(answers: Answers, unknown: Collection[str] = ()) -> str:
    """Return a tariff file of prices that were typed; its source says if they were not known.

    Raises
    ------
    InputError
        If they make no tariff.
    """
    full = completed(answers)
    other: dict[str, Any] = {"per_kwh": full["rates.price"], "otherwise": True}
    rates = [{"name": "all times", **other}]
    if full["rates.hours"]:
        hours = [part.strip() for part in full["rates.hours"].split(",")]
        cheap = {"name": "cheaper hours", "per_kwh": full["rates.cheap"], "hours": hours}
        rates = [cheap, {"name": "other hours", **other}]
    charges: list[Mapping[str, Any]] = [{"kind": "energy", "name": "Energy", "rates": rates}]
    if full["rates.fixed"]:
        charges.insert(0, {"kind": "fixed", "name": "Fixed charge", "amount": full["rates.fixed"],
                           "per": "month"})  # fmt: skip
    if full["rates.export"]:
        charges.append({"kind": "export_credit", "name": "Export", "per_kwh": full["rates.export"]})
    is_known = "rates.price" not in unknown
    source = "typed from a bill" if is_known else "nobody's: prices were not known, and are assumed"
    content = {
        "tariff": f"Prices of {full['scenario']}",
        "currency": full["rates.currency"],
        "about": "Prices as they were typed; taxes are in them.",
        "versions": [{"from": SINCE, "source": source, "charges": charges}],
    }
    checked(Source(Path(TYPED_TARIFF), content), TariffFile, TariffError)
    return typed_yaml(content)
