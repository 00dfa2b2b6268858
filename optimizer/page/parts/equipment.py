"""What stands there: battery, inverter, how the PV is connected, what the connection allows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from optimizer.base.questions import Question, always
from optimizer.base.words import later
from optimizer.page.asked import AskedPart
from optimizer.scenario.draft import SITE

if TYPE_CHECKING:
    from starlette.requests import Request

    from optimizer.page.folder import Folder


class Equipment(AskedPart):
    """Battery, inverter, connection and what they are allowed."""

    name = "equipment"
    title = later("What stands there")
    owns = (
        ("battery",), ("inverter",), ("pv",), ("connection",), ("permissions",), ("reserve_pct",),
        ("scenario",), ("behaviour",), ("loads",), ("outage",), ("panel",), ("dwelling",), ("state",),
    )  # fmt: skip
    needed = (("scenario",), ("battery",), ("inverter",), ("pv",))

    def questions(self) -> list[Question]:
        """Return its questions, and what the place is called."""
        return [SITE.by_name["scenario"], *super().questions()]

    def view(self, folder: Folder, request: Request) -> dict[str, Any]:
        """Return the fields, and the names of those that are not folded away."""
        common = {question.name for question in self.questions() if question.is_rare is not always}
        return super().view(folder, request) | {"common": common}
