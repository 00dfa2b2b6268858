"""The templates of the page: those here and, for the card, those of the report; ``_`` says a text."""

from __future__ import annotations

from functools import cache
from typing import Any

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined

from optimizer.base.units import money, number, percent, price
from optimizer.base.words import language, say


def rendered(template: str, **shown: Any) -> str:
    """Return a page by its template, in the language that is spoken; an undefined name is an error."""
    return _templates().get_template(template).render(**shown)


@cache
def _templates() -> Environment:
    folders = [PackageLoader("optimizer.page"), PackageLoader("optimizer.report")]
    pages = Environment(
        loader=ChoiceLoader(folders),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    pages.globals |= {"_": say, "spoken": language}
    pages.filters |= {"money": money, "number": number, "percent": percent, "price": price}
    return pages
