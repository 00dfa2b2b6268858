"""What was used: a file of the meter, or a bill alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from optimizer.base.words import later
from optimizer.page.part import Finding, Form, Part

if TYPE_CHECKING:
    from starlette.requests import Request

    from optimizer.page.folder import Folder


class Used(Part):
    """What was used: load, and PV as far as it was metered."""

    name = "used"
    title = later("What was used")
    owns = (("forecast",), ("zone",))
    needed = (("forecast",), ("zone",))

    def view(self, folder: Folder, request: Request) -> dict[str, Any]:
        """Show what is known."""
        return {"zone": folder.at(("zone",)) or ""}

    def save(self, folder: Folder, form: Form) -> Sequence[Finding]:
        """Save the zone."""
        folder.change({("zone",): form.get("zone") or None})
        return self.findings(folder)
